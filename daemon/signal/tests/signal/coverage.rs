//! Whether the 95 % intervals cover what they say, by seeded Monte Carlo after JCGM 101:2008, clause 7.

use holdgate_signal::interval::mean_interval;
use holdgate_signal::settle::{RatioOfVariances, change, ratio_limits};
use holdgate_signal::{MeanInterval, Window};
use model::{Span, Uncertainty};

use crate::world::{Noise, at};

/// A window of `n` readings of a steady level: noise, then rounding to counts of width 1.
fn window(noise: &mut Noise, level: f64, n: usize, sd: f64) -> Window {
    let mut window = Window::new(Span::from_secs(10_000));
    for i in 0..n {
        let count = (level + sd * noise.normal()).round();
        window.push(at(i as f64 * 0.1), count, count as i64);
    }
    window
}

/// Hits and trials by whether dither was shown.
fn trials(n: usize, sd: f64, shared: f64, seed: u64) -> [(f64, f64); 2] {
    let mut noise = Noise(seed);
    let uncertainty = Uncertainty { noise: sd, resolution: 1.0, shared };
    let mut tally = [(0.0, 0.0); 2];
    for _ in 0..20_000 {
        let level = 50.0 + noise.even();
        let seen = level + shared * noise.normal();
        let interval: MeanInterval =
            mean_interval(&window(&mut noise, seen, n, sd).summary().unwrap(), &uncertainty);
        let slot = &mut tally[usize::from(interval.dithered)];
        slot.0 += f64::from(u8::from(interval.low <= level && level <= interval.high));
        slot.1 += 1.0;
    }
    tally
}

#[test]
fn intervals_cover_the_level_as_often_as_they_say() {
    let mut proven = 0;
    for (i, (n, sd)) in [
        (1, 0.0),
        (1, 0.4),
        (2, 0.3),
        (5, 0.1),
        (5, 1.0),
        (8, 0.5),
        (10, 0.0),
        (10, 0.2),
        (10, 0.5),
        (10, 3.0),
        (30, 0.1),
        (30, 0.3),
        (30, 0.45),
        (30, 1.0),
        (100, 0.4),
        (100, 0.6),
        (100, 5.0),
    ]
    .into_iter()
    .enumerate()
    {
        for shared in [0.0, 0.5] {
            let [whole, dithered] = trials(n, sd, shared, 17 + i as u64);
            let all = (whole.0 + dithered.0) / (whole.1 + dithered.1);
            assert!(all >= 0.93, "n = {n}, sd = {sd}, shared {shared}: {all} of all windows");
            // Kinds of window rarer than one in twenty are a selection of odd ones, not a sample.
            for (name, (hits, windows)) in [("whole", whole), ("dithered", dithered)] {
                let share = hits / windows;
                assert!(windows < 1_000.0 || share >= 0.93, "n = {n}, sd = {sd}, {shared}, {name}: {share}");
            }
            // Where only part of the windows shows dither, those that do scatter widely and so have wide
            // intervals. What is proven must be neither narrow nor wide where nearly all windows show it.
            if dithered.1 >= 19_000.0 {
                let share = dithered.0 / dithered.1;
                assert!((0.93..=0.97).contains(&share), "n = {n}, sd = {sd}, shared {shared}: {share}");
                proven += 1;
            }
        }
    }
    assert_eq!(proven, 8, "cases in which nearly all windows show dither");
}

#[test]
fn taking_dither_for_granted_would_not_cover() {
    // The negative test: noise of a tenth of a count, treated as if averaging reduced the rounding.
    let mut noise = Noise(5);
    let mut hits = 0;
    for _ in 0..2_000 {
        let level = 50.0 + noise.even();
        let summary = window(&mut noise, level, 30, 0.1).summary().unwrap();
        let half = 2.045 * summary.sd / 30f64.sqrt();
        hits += u32::from((summary.mean - level).abs() <= half);
    }
    assert!(f64::from(hits) / 2_000.0 < 0.5, "{hits}");
}

#[test]
fn readings_that_hang_together_are_worth_fewer() {
    // A first-order autoregressive series with r1 = 0.6: 80 readings are worth 20. Counted as 80 they would
    // promise an interval half as wide as it is.
    let mut noise = Noise(41);
    let (mut hits, mut counted_all) = (0, 0);
    for _ in 0..4_000 {
        let mut window = Window::new(Span::from_secs(100));
        let mut x = noise.normal();
        for i in 0..80 {
            window.push(at(f64::from(i) * 0.1), 20.0 * x, (20.0 * x).round() as i64);
            x = 0.6 * x + 0.8 * noise.normal();
        }
        let summary = window.summary().unwrap();
        let interval = mean_interval(&summary, &Uncertainty { noise: 20.0, resolution: 1.0, shared: 0.0 });
        hits += u32::from(interval.low <= 0.0 && 0.0 <= interval.high);
        counted_all += u32::from(summary.mean.abs() <= 1.99 * summary.sd / 80f64.sqrt());
    }
    let (share, naive) = (f64::from(hits) / 4_000.0, f64::from(counted_all) / 4_000.0);
    assert!((0.92..=0.97).contains(&share) && naive < 0.75, "{share}, counted as 80: {naive}");
}

#[test]
fn the_interval_of_a_change_covers_it() {
    // A true drift of 0, 1.3 and 20 counts over the window of 4 s, 40 readings, noise 0.2 and 2 counts.
    let mut noise = Noise(23);
    for sd in [0.2, 2.0] {
        for drift in [0.0, 1.3, 20.0] {
            let mut hits = 0;
            for _ in 0..4_000 {
                let level = 50.0 + noise.even();
                let mut window = Window::new(Span::from_secs(4));
                for i in 0..41 {
                    let t = i as f64 / 10.0;
                    let count = (level + drift * t / 4.0 + sd * noise.normal()).round();
                    window.push(at(t), count, count as i64);
                }
                let uncertainty = Uncertainty { noise: sd, resolution: 1.0, shared: 0.0 };
                let got = change(&window, &window.summary().unwrap(), &uncertainty).unwrap();
                hits += u32::from((got.change - drift).abs() <= got.half_width);
            }
            let share = f64::from(hits) / 4_000.0;
            assert!(share >= 0.93, "sd = {sd}, drift = {drift}: {share}");
        }
    }
}

#[test]
fn the_interval_of_a_change_knows_that_readings_hang_together() {
    // A first-order autoregressive series with r1 = 0.6 that does not drift, 80 readings over 8 s.
    let mut noise = Noise(67);
    let mut hits = 0;
    for _ in 0..4_000 {
        let mut window = Window::new(Span::from_secs(8));
        let mut x = noise.normal();
        for i in 0..81 {
            window.push(at(f64::from(i) * 0.1), 20.0 * x, (20.0 * x).round() as i64);
            x = 0.6 * x + 0.8 * noise.normal();
        }
        let uncertainty = Uncertainty { noise: 0.0, resolution: 1.0, shared: 0.0 };
        let got = change(&window, &window.summary().unwrap(), &uncertainty).unwrap();
        hits += u32::from(got.change.abs() <= got.half_width);
    }
    let share = f64::from(hits) / 4_000.0;
    assert!((0.90..=0.98).contains(&share), "{share}");
}

#[test]
fn the_limits_of_the_ratio_are_those_of_noise() {
    // Cao and Rhinehart published critical values for endless filters; these hold for a window's start too.
    let mut noise = Noise(99);
    for n in [8, 10, 12, 15, 16, 20, 30, 60, 200] {
        let (likely, possible) = ratio_limits(n);
        let (mut above_likely, mut above_possible) = (0.0, 0.0);
        for _ in 0..20_000 {
            let mut filter = RatioOfVariances::default();
            (0..n).for_each(|_| filter.push(noise.normal()));
            let ratio = filter.ratio(0.0).unwrap();
            above_likely += f64::from(u8::from(ratio > likely)) / 20_000.0;
            above_possible += f64::from(u8::from(ratio > possible)) / 20_000.0;
        }
        assert!(above_likely <= 0.055 && above_likely > 0.005, "{n}: {above_likely}");
        assert!(above_possible <= 0.001_5, "{n}: {above_possible}");
    }
}
