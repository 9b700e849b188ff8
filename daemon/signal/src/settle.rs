//! Whether a channel has settled, and how fast it moves.
//!
//! Three looks at a window, because each is blind to something. The **line** through the readings sees a
//! drift. The **sway** about the line sees a hump or a hunt, as that part of the scatter which neighbours
//! have in common. The **ratio of variances** sees readings that move further than noise would carry them.

use model::Uncertainty;

use crate::interval::{ONE_COUNT, half_width_95, shows_dither};
use crate::stats::quantile::{Z95, t95_effective};
use crate::stats::{Summary, Window, effective_size};
use crate::verdict::{Target, Verdict};

/// The ratio-of-variances statistic of Cao and Rhinehart, "An efficient method for on-line identification of
/// steady state", Journal of Process Control 5 (1995) 363-374 (from memory).
///
/// Two estimates of the same variance are compared, one from the distance of readings to a running mean, one
/// from the differences of neighbours. For noise about a level their ratio is near 1; movement raises it.
/// Three exponential filters with the weights 0.2, 0.1 and 0.1 do it in constant time for each reading.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct RatioOfVariances {
    mean: f64,
    squares: f64,
    differences: f64,
    // What is left of the filters' zero start. Both variances share it, because their weights are equal.
    start: f64,
    last: Option<f64>,
}

impl RatioOfVariances {
    const L1: f64 = 0.2;
    const L2: f64 = 0.1;
    const L3: f64 = 0.1;

    /// Takes a reading in.
    pub fn push(&mut self, x: f64) {
        let Some(last) = self.last.replace(x) else {
            (self.mean, self.start) = (x, 1.0);
            return;
        };
        self.squares += Self::L2 * ((x - self.mean).powi(2) - self.squares);
        self.mean += Self::L1 * (x - self.mean);
        self.differences += Self::L3 * ((x - last).powi(2) - self.differences);
        self.start *= 1.0 - Self::L3;
    }

    /// The ratio, R = (2 - 0.2) nu_f / delta_f. The differences are never taken as less than noise of the
    /// standard deviation `floor` would make them (twice its square), so that a constant count is steady and
    /// nothing is divided by zero. Absent before the second reading and where it is not a finite number.
    pub fn ratio(&self, floor: f64) -> Option<f64> {
        let filled = 1.0 - self.start;
        if self.last.is_none() || filled <= 0.0 {
            return None;
        }
        let differences = (self.differences / filled).max(2.0 * floor * floor);
        let squares = self.squares / filled;
        let ratio = if squares == 0.0 { 0.0 } else { (2.0 - Self::L1) * squares / differences };
        ratio.is_finite().then_some(ratio)
    }
}

/// Largest ratio that noise gives in 95 % and in 99.9 % of windows, by the number of readings from which
/// the row holds. From 20,000 seeded windows of normal noise each; a test repeats it with its own numbers.
const RATIO_LIMITS: [(usize, f64, f64); 6] =
    [(8, 3.1, 8.5), (12, 2.2, 5.0), (16, 1.85, 3.6), (20, 1.7, 3.0), (30, 1.55, 2.5), (60, 1.5, 2.3)];

/// The 95 % and the 99.9 % limit of the ratio for a window of `n` readings.
pub fn ratio_limits(n: usize) -> (f64, f64) {
    let row = RATIO_LIMITS.iter().rev().find(|row| n >= row.0).unwrap_or(&RATIO_LIMITS[0]);
    (row.1, row.2)
}

/// Readings that [`change`] needs for a slope with an error.
pub const CHANGE_READINGS: usize = 4;
/// Readings that [`steadiness`] needs for its tests of scatter.
pub const STEADY_READINGS: usize = 8;

/// The change over a window's length, in the unit of the channel.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Change {
    /// Slope of the line times the window's length; without dither never more than the readings moved.
    pub change: f64,
    /// Half-width of its 95 % interval.
    pub half_width: f64,
}

/// Whether readings have come for long enough to speak of a whole window: for at least four fifths of its
/// length. The rest is tolerated because readings do not come exactly at its ends.
pub fn substantially_full(window: &Window) -> bool {
    let length = window.length();
    window.run() >= length - length / 5
}

/// The change over the window's length from the least-squares line, with its 95 % interval. The shared
/// uncertainty drops out of a difference. Without dither the rectangles of both ends stay, taken as one of
/// their joint width. The error of the slope is widened by the residuals' own autocorrelation, and has
/// Student's t for the effective number of readings less two. Absent for fewer than [`CHANGE_READINGS`].
pub fn change(window: &Window, summary: &Summary, uncertainty: &Uncertainty) -> Option<Change> {
    Some(movement(window, summary, uncertainty)?.0)
}

/// The change, the sway and the most sway that the scatter allows.
fn movement(window: &Window, summary: &Summary, uncertainty: &Uncertainty) -> Option<(Change, f64, f64)> {
    let line = (summary.n >= CHANGE_READINGS).then(|| window.line())??;
    let length = window.length().as_secs_f64();
    let covered = window.newest()?.seconds - window.readings().first()?.seconds;
    let n_eff =
        if line.residual_sd > 0.0 { effective_size(line.n, line.residual_lag1) } else { line.n as f64 };
    let spread = line.slope_error? * length * (line.n as f64 / n_eff).sqrt();
    let normal = spread * t95_effective(n_eff - 2.0) / Z95;
    let dithered = shows_dither(summary, uncertainty.resolution);
    let rectangle = if dithered { 0.0 } else { uncertainty.resolution };
    let mut rise = line.slope * length;
    if !dithered {
        // A single step of a count in the middle tilts the line by one and a half counts.
        let moved = (summary.max - summary.min) * (length / covered).max(1.0);
        rise = rise.clamp(-moved, moved);
    }
    let change = Change { change: rise, half_width: half_width_95(rectangle, normal) };
    // White noise has no autocorrelation, so the common part of neighbours' residuals is movement. A swing of
    // the amplitude A has the variance A^2/2 and spans 2 A. An estimate of r1 from n readings of noise has a
    // standard deviation of 1/sqrt(n) (Bartlett 1946, from memory): two of them are left to chance.
    let lag1 = line.residual_lag1.unwrap_or(0.0);
    let doubt = 1.0 / (line.n as f64).sqrt();
    let span = |r: f64| 8f64.sqrt() * line.residual_sd * r.max(0.0).sqrt();
    let all = (change.change, change.half_width, span(lag1));
    (all.0.is_finite() && !all.1.is_nan() && all.2.is_finite())
        .then(|| (change, span(lag1 - 2.0 * doubt), span((lag1 + 1.645 * doubt).min(1.0))))
}

/// How steady a window is.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Steadiness {
    /// The verdict over all three looks.
    pub verdict: Verdict,
    /// Drift over the window's length.
    pub change: Change,
    /// Height of a hump or hunt about the line, as far as it is more than chance; in the channel's unit.
    pub sway: f64,
    /// The ratio of variances; near 1 for noise.
    pub ratio: f64,
    /// The band judged against: the one asked for, or one count where that is wider.
    pub band: f64,
    /// What speaks against it most.
    pub against: Against,
}

/// Which look speaks most against steadiness.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Against {
    /// None of them.
    Nothing,
    /// The drift.
    Drift,
    /// A hump or a hunt.
    Sway,
    /// Scatter wider than noise of its own fineness.
    Scatter,
}

/// Judges whether the window changes by no more than `band` over its length. A band finer than one count is
/// judged as one count; a count that stays, or hops to one neighbour, is steady to one count and never finer.
///
/// Movement that does not matter beside the band must not fail the ratio, so its floor is the larger of the
/// rounding's own standard deviation and a quarter of the band (a swing of the whole band, peak to peak,
/// has 0.35 of it), and high enough to leave a drift of just the band to the line. Absent for fewer than
/// [`STEADY_READINGS`].
pub fn steadiness(
    window: &Window,
    summary: &Summary,
    uncertainty: &Uncertainty,
    band: f64,
) -> Option<Steadiness> {
    if summary.n < STEADY_READINGS {
        return None;
    }
    let q = uncertainty.resolution.max(0.0);
    let band = band.max(q * ONE_COUNT);
    let (change, sway, most_sway) = movement(window, summary, uncertainty)?;
    let (likely, possible) = ratio_limits(summary.n);
    let drift_step = band / summary.n as f64;
    let floor = (q / 12f64.sqrt()).max(band / 4.0).max(4.8 * drift_step / possible.sqrt());
    let mut filter = RatioOfVariances::default();
    window.readings().iter().for_each(|r| filter.push(r.value));
    let ratio = filter.ratio(floor)?;

    let target = Target { min: -band, max: band };
    let drift =
        target.judge(change.change, change.change - change.half_width, change.change + change.half_width);
    let one_count = q > 0.0 && summary.max - summary.min <= ONE_COUNT * q;
    let (swaying, scattering) = if one_count {
        (Verdict::ProvenInside, Verdict::ProvenInside)
    } else {
        (at_most(sway, most_sway, band), at_most(ratio, ratio * possible / likely, possible))
    };
    let verdict = drift.min(swaying).min(scattering);
    let against = match verdict {
        Verdict::ProvenInside => Against::Nothing,
        v if v == drift => Against::Drift,
        v if v == swaying => Against::Sway,
        _ => Against::Scatter,
    };
    Some(Steadiness { verdict, change, sway, ratio, band, against })
}

/// An amount that may be as much as `most`, against a limit. What exceeds the limit did so beyond chance.
fn at_most(amount: f64, most: f64, limit: f64) -> Verdict {
    if amount > limit {
        Verdict::ProvenOutside
    } else if most <= limit {
        Verdict::ProvenInside
    } else {
        Verdict::Inside
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_constant_count_never_divides_nought_by_nought() {
        let mut filter = RatioOfVariances::default();
        assert_eq!(filter.ratio(0.0), None);
        for _ in 0..50 {
            filter.push(7.0);
        }
        assert_eq!(filter.ratio(0.0), Some(0.0));
        assert_eq!(filter.ratio(0.29), Some(0.0));
    }

    #[test]
    fn a_ramp_has_the_ratio_of_its_lag() {
        // A ramp of d a reading lags 1/0.2 = 5 d behind, so R = 1.8 * 25 d^2 / d^2 = 45.
        let mut filter = RatioOfVariances::default();
        (0..400).for_each(|i| filter.push(f64::from(i) * 0.3));
        assert!((filter.ratio(0.0).unwrap() - 45.0).abs() < 0.01);
    }
}
