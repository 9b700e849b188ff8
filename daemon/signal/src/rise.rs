//! When a rising channel will reach a level: a first-order rise fitted to its last readings.
//!
//! A body that is heated and loses heat in proportion to its excess follows a - b exp(-t/T) (first-order step
//! response, any text on control). T enters non-linearly, so it is tried over a range, and for each a and b
//! follow by least squares. Every T that explains the readings as well as the best one, by the likelihood
//! ratio for one parameter, gives a time: the range of those times is the interval.

/// One reading: seconds on any clock, and the value.
pub type Point = (f64, f64);

/// Readings needed for a fit.
pub const RISE_READINGS: usize = 20;
/// Seconds that the readings must span: over less a rise is a straight line to any converter (our choice, no
/// published source).
pub const RISE_SPAN: f64 = 30.0;
/// Time constants tried, in s: from a warm-air heater to a truck's engine (our choice, no published source).
const TIME_CONSTANTS: (f64, f64) = (10.0, 3_000.0);
const TRIED: usize = 400;
/// A time further off than this is no time to wait for, in s.
const FURTHEST: f64 = 2.0 * 3_600.0;
/// 95 % point of chi squared with one degree of freedom (Abramowitz and Stegun 1964, table 26.8, from memory).
const CHI2_95: f64 = 3.841;

/// When the level will be reached.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Reach {
    /// Seconds after the newest reading, by the best fit.
    pub seconds: f64,
    /// Lower end of the interval.
    pub low: f64,
    /// Upper end of the interval; two hours where the readings do not exclude that it never comes.
    pub high: f64,
    /// Where the rise will settle, by the best fit.
    pub settles_at: f64,
    /// Its time constant in seconds, by the best fit.
    pub time_constant: f64,
}

struct Fit {
    time_constant: f64,
    squares: f64,
    settles_at: f64,
    /// What is left to rise at the newest reading.
    left: f64,
}

/// Fits a rise to readings in the order of time and says when it reaches `level`. `resolution` is the width of one
/// count, below which a better fit means nothing.
///
/// `None` when there are too few readings, when they do not rise by three counts, or when the rise as it is fitted
/// ends below the level.
pub fn reach(readings: &[Point], level: f64, resolution: f64) -> Option<Reach> {
    let (first, last) = (readings.first()?, readings.last()?);
    if readings.len() < RISE_READINGS || last.0 - first.0 < RISE_SPAN {
        return None;
    }
    let fits: Vec<Fit> = (0..TRIED).filter_map(|k| fit(readings, tried(k))).collect();
    let best = fits.iter().min_by(|a, b| a.squares.total_cmp(&b.squares))?;
    let n = readings.len() as f64;
    let risen = (best.settles_at - best.left) - readings[0].1;
    if risen < 3.0 * resolution || risen <= 0.0 {
        return None;
    }
    let seconds = time_to(best, level)?;
    // Rounding errors of neighbours are alike while the value moves less than a count between readings, so the
    // scatter is taken for no finer than the rounding's own, and the readings for a sixth of their number (our choice, no
    // published source).
    let variance = (best.squares / (n - 3.0)).max(resolution * resolution / 12.0);
    let limit = best.squares + 6.0 * CHI2_95 * variance;
    let (mut low, mut high) = (seconds, seconds);
    for fit in fits.iter().filter(|fit| fit.squares <= limit) {
        let at = time_to(fit, level).unwrap_or(FURTHEST);
        (low, high) = (low.min(at), high.max(at));
    }
    Some(Reach { seconds, low, high, settles_at: best.settles_at, time_constant: best.time_constant })
}

fn tried(k: usize) -> f64 {
    let share = k as f64 / (TRIED - 1) as f64;
    TIME_CONSTANTS.0 * (TIME_CONSTANTS.1 / TIME_CONSTANTS.0).powf(share)
}

/// Least squares of a and b for one time constant, the exponential counted from the newest reading so that it
/// never overflows.
fn fit(readings: &[Point], time_constant: f64) -> Option<Fit> {
    let newest = readings.last()?.0;
    let oldest = readings.first()?.0;
    // Scaled to 1 at the oldest reading.
    let shape = |t: f64| (-(t - oldest) / time_constant).exp();
    let n = readings.len() as f64;
    let mean_y = readings.iter().map(|r| r.1).sum::<f64>() / n;
    let mean_x = readings.iter().map(|r| shape(r.0)).sum::<f64>() / n;
    let (mut xx, mut xy, mut yy) = (0.0, 0.0, 0.0);
    for (t, y) in readings {
        let (x, y) = (shape(*t) - mean_x, y - mean_y);
        xx += x * x;
        xy += x * y;
        yy += y * y;
    }
    if xx <= 0.0 {
        return None;
    }
    let slope = xy / xx;
    // A rise has what is left shrink with time: b > 0.
    let b = -slope;
    let settles_at = mean_y + b * mean_x;
    let squares = (yy - slope * xy).max(0.0);
    (b > 0.0 && settles_at.is_finite()).then(|| Fit {
        time_constant,
        squares,
        settles_at,
        left: b * shape(newest),
    })
}

fn time_to(fit: &Fit, level: f64) -> Option<f64> {
    let lacking = fit.settles_at - level;
    if lacking <= 0.0 {
        return None;
    }
    let seconds = (fit.time_constant * (fit.left / lacking).ln()).max(0.0);
    (seconds <= FURTHEST).then_some(seconds)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn warm_up(until: f64, time_constant: f64, count: f64) -> Vec<Point> {
        let value = |t: f64| 88.0 - 68.0 * (-t / time_constant).exp();
        let rounded = |v: f64| if count > 0.0 { (v / count).round() * count } else { v };
        (0..=until as usize).map(|t| (t as f64, rounded(value(t as f64)))).collect()
    }

    /// The exact time of a first-order step response: T ln(b / (a - level)), analytic.
    #[test]
    fn a_clean_rise_is_found_to_the_second() {
        for (time_constant, until) in [(100.0, 60.0), (150.0, 90.0), (300.0, 200.0)] {
            let exact = time_constant * (68.0f64 / 13.0).ln() - until;
            let found = reach(&warm_up(until, time_constant, 0.0), 75.0, 0.0).unwrap();
            assert!((found.seconds - exact).abs() < 0.05 * exact, "{found:?} against {exact}");
        }
    }

    #[test]
    fn rounding_widens_the_interval_and_it_holds_the_exact_time() {
        for time_constant in [110.0, 150.0, 220.0, 290.0] {
            for until in [60.0, 100.0, 140.0] {
                let exact = time_constant * (68.0f64 / 13.0).ln() - until;
                if exact < 0.0 {
                    continue;
                }
                let found = reach(&warm_up(until, time_constant, 0.8), 75.0, 0.8).unwrap();
                assert!(
                    found.low - 3.0 <= exact && exact <= found.high + 3.0,
                    "T {time_constant}, {until} s: {found:?} against {exact}"
                );
            }
        }
    }

    #[test]
    fn what_does_not_rise_or_ends_below_has_no_time() {
        let flat: Vec<Point> = (0..100).map(|t| (f64::from(t), 60.0)).collect();
        assert_eq!(reach(&flat, 75.0, 0.8), None);
        assert_eq!(reach(&warm_up(400.0, 100.0, 0.0), 95.0, 0.0), None, "it settles at 88");
        assert_eq!(reach(&warm_up(20.0, 100.0, 0.8), 75.0, 0.8), None, "too short");
        assert_eq!(reach(&[], 75.0, 0.8), None);
    }

    #[test]
    fn what_is_there_already_takes_no_time() {
        assert_eq!(reach(&warm_up(400.0, 100.0, 0.0), 75.0, 0.0).map(|r| r.seconds), Some(0.0));
    }
}
