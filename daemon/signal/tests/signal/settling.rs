//! Settling against known responses: it must not be said while the rise is outside its band, and soon after.

use holdgate_signal::settle::{Against, Steadiness, steadiness, substantially_full};
use holdgate_signal::{Verdict, Window};
use model::{Span, Uncertainty};

use crate::world::{Noise, at, number, table};

const ANALYTIC: &str = include_str!("../../../../tests/published/06_settle_analytic.csv");
const WARM_UP: &str = include_str!("../../../../tests/published/06_settle_warmup_fixture.csv");

/// When the readings are first called steady, and when first proven so, in seconds.
fn first_steady(
    readings: impl Iterator<Item = (f64, f64)>,
    over: f64,
    band: f64,
    resolution: f64,
) -> (Option<f64>, Option<f64>) {
    let uncertainty = Uncertainty { noise: 0.0, resolution, shared: 0.0 };
    let mut window = Window::new(Span::from_secs_f64(over));
    let (mut inside, mut proven) = (None, None);
    for (t, value) in readings {
        let raw = (value / resolution).round();
        window.push(at(t), raw * resolution, raw as i64);
        let judged = steadiness(&window, &window.summary().unwrap(), &uncertainty, band);
        let Some(Steadiness { verdict, .. }) = judged.filter(|_| substantially_full(&window)) else {
            continue;
        };
        if verdict >= Verdict::Inside {
            inside.get_or_insert(t);
        }
        if verdict == Verdict::ProvenInside {
            proven.get_or_insert(t);
        }
    }
    (inside, proven)
}

#[test]
fn first_order_rises_settle_when_the_formula_says() {
    // t = tau ln(1/band). In the window of 0.75 tau before that moment the value still moves by 1.12 bands,
    // so the band over the window is reached 0.10 tau later: that is the measured delay.
    let mut checked = 0;
    for row in table(ANALYTIC).iter().filter(|r| r["system"] == "first order step") {
        let tau: f64 = row["parameters"].strip_prefix("tau_s=").unwrap().parse().unwrap();
        let (band, settled) = (number(row, "band"), number(row, "settle_time_s"));
        let rise = |i: i32| (f64::from(i) * tau / 100.0, 100.0 * (1.0 - (-f64::from(i) / 100.0).exp()));
        let (inside, proven) = first_steady((0..1_000).map(rise), 0.75 * tau, 100.0 * band, 0.01);
        let (inside, proven) = (inside.unwrap(), proven.unwrap());
        assert!(inside >= settled, "tau {tau}, band {band}: {inside} s before {settled} s");
        assert!(inside <= settled + 0.15 * tau, "tau {tau}, band {band}: {inside} s long after {settled} s");
        assert!(proven >= inside && proven <= settled + 1.5 * tau, "proven after {proven} s");
        checked += 1;
    }
    assert_eq!(checked, 9);
}

#[test]
fn ringing_is_not_taken_for_rest_at_its_turning_points() {
    // y = 1 - exp(-z w t) (cos(wd t) + z w / wd sin(wd t)), read at 50 Hz; the window is a third of a period
    // or more.
    let mut checked = 0;
    for row in table(ANALYTIC).iter().filter(|r| r["system"] == "second order step") {
        let values: Vec<f64> =
            row["parameters"].split(' ').map(|p| p.split_once('=').unwrap().1.parse().unwrap()).collect();
        let (zeta, wn) = (values[0], values[1]);
        let wd = wn * f64::sqrt(1.0 - zeta * zeta);
        let (band, settled) = (number(row, "band"), number(row, "settle_time_s"));
        let step = |i: i32| {
            let t = f64::from(i) * 0.02;
            let swing = (wd * t).cos() + zeta * wn / wd * (wd * t).sin();
            (t, 100.0 * (1.0 - (-zeta * wn * t).exp() * swing))
        };
        let over = 3.0 / wn;
        let (inside, _) = first_steady((0..1_000).map(step), over, 100.0 * band, 0.01);
        let inside = inside.unwrap();
        assert!(inside >= settled, "zeta {zeta}: {inside} s before {settled} s");
        assert!(inside <= settled + 1.25 * over, "zeta {zeta}: {inside} s long after {settled} s");
        checked += 1;
    }
    assert_eq!(checked, 3);
}

#[test]
fn a_warming_engine_is_not_warm_before_it_is() {
    // The fixture rises from 20 towards 88 degrees with a time constant of 150 s. Over a window of 120 s a
    // rise that changes by no more than 2 degrees has no more than 1.7 left to go. Measured: 2 degrees are left
    // until 528 s; called steady at 558 s (554 s in counts of one degree), proven at 646 s (682 s).
    let rise: Vec<(f64, f64)> =
        table(WARM_UP).iter().map(|r| (number(r, "t_s"), number(r, "coolant_c"))).collect();
    let left = |t: f64| 88.0 - rise.iter().find(|r| r.0 == t).unwrap().1;
    let outside_until = rise.iter().rev().find(|r| 88.0 - r.1 > 2.0).unwrap().0;
    for resolution in [0.01, 1.0] {
        let (inside, proven) = first_steady(rise.iter().copied(), 120.0, 2.0, resolution);
        let inside = inside.unwrap();
        assert!(inside >= outside_until, "{resolution}: {inside} s, {} left", left(inside));
        assert!(inside <= outside_until + 60.0, "{resolution}: {inside} s");
        assert!(proven.unwrap() <= outside_until + 240.0, "{resolution}: {proven:?}");
    }
}

#[test]
fn a_constant_count_is_steady_to_one_count_and_never_finer() {
    let constant = || (0..40).map(|i| (f64::from(i) * 0.1, 7.0));
    let (_, proven) = first_steady(constant(), 3.0, 1.0, 1.0);
    assert!(proven.is_some());
    let mut window = Window::new(Span::from_secs(3));
    constant().for_each(|(t, v)| assert!(window.push(at(t), v, 7)));
    let count = Uncertainty { noise: 0.0, resolution: 1.0, shared: 0.0 };
    let finer = steadiness(&window, &window.summary().unwrap(), &count, 0.01).unwrap();
    assert!(finer.band >= 1.0 && finer.change.half_width > 0.9, "{finer:?}");
    // One hop to the next count and back is still that count.
    let (hops, _) =
        first_steady((0..60).map(|i| (f64::from(i) * 0.1, f64::from(u8::from(i % 9 == 0)))), 3.0, 0.5, 1.0);
    assert!(hops.is_some());
}

#[test]
fn noise_is_steady_and_a_hunt_is_not() {
    // Idle at 850 r/min read at 12 Hz for a minute: noise of 6 r/min passes a band of 20 r/min nearly always,
    // a hunt of +-40 r/min with a period of 3 s never does.
    let count = Uncertainty { noise: 0.0, resolution: 1.0, shared: 0.0 };
    for (hunt, low, high) in [(0.0, 0.95, 1.0), (40.0, 0.0, 0.0)] {
        let mut noise = Noise(3);
        let mut window = Window::new(Span::from_secs(4));
        let (mut passed, mut judged) = (0.0, 0.0);
        for i in 0..720 {
            let t = f64::from(i) / 12.0;
            let value =
                (850.0 + hunt * (std::f64::consts::TAU * t / 3.0).sin() + 6.0 * noise.normal()).round();
            window.push(at(t), value, value as i64);
            if substantially_full(&window) {
                let got = steadiness(&window, &window.summary().unwrap(), &count, 20.0).unwrap();
                judged += 1.0;
                passed += f64::from(u8::from(got.verdict >= Verdict::Inside));
            }
        }
        assert!((low..=high).contains(&(passed / judged)), "hunt of {hunt}: {}", passed / judged);
    }
}

/// How steady readings at this period are, in counts of one over a window of 4 s, to a band of `band`.
fn judged(period: f64, band: f64, values: impl Iterator<Item = f64>) -> Steadiness {
    let count = Uncertainty { noise: 0.0, resolution: 1.0, shared: 0.0 };
    let mut window = Window::new(Span::from_secs(4));
    for (i, value) in values.enumerate() {
        window.push(at(i as f64 * period), value.round(), value.round() as i64);
    }
    steadiness(&window, &window.summary().unwrap(), &count, band).unwrap()
}

#[test]
fn each_look_sees_what_the_others_miss() {
    // A slow hunt read fast, whole periods in the window: no drift, and no step between neighbours.
    let hunt = judged(
        0.01,
        20.0,
        (0..401).map(|i| 850.0 + 25.0 * (f64::from(i) * 0.01 * std::f64::consts::PI).cos()),
    );
    assert_eq!((hunt.verdict, hunt.against), (Verdict::ProvenOutside, Against::Sway), "{hunt:?}");
    assert!(hunt.ratio < 1.0 && hunt.change.change.abs() < 20.0);
    assert!((hunt.sway - 50.0).abs() < 5.0, "{hunt:?}");
    // A jump in the last two of forty readings: hardly any slope yet.
    let jump = judged(0.1, 20.0, (0..40).map(|i| if i < 38 { 850.0 } else { 890.0 }));
    assert_eq!((jump.verdict, jump.against), (Verdict::ProvenOutside, Against::Scatter), "{jump:?}");
    assert!(jump.sway < 20.0 && jump.change.change < 20.0);
    // A drift.
    let drift = judged(0.1, 20.0, (0..40).map(|i| 850.0 + f64::from(i)));
    assert_eq!((drift.verdict, drift.against), (Verdict::ProvenOutside, Against::Drift), "{drift:?}");
}

#[test]
fn one_step_of_one_count_is_a_change_of_one_count() {
    // Least squares would make one and a half of it.
    let step = judged(0.1, 1.2, (0..41).map(|i| if i < 20 { 7.0 } else { 8.0 }));
    assert_eq!(step.verdict, Verdict::Inside, "{step:?}");
    assert!((step.change.change - 1.0).abs() < 1e-9);
}
