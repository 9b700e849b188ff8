//! The 95 % interval of a window's mean, after the GUM (JCGM 100:2008) and its supplement (JCGM 101:2008).
//!
//! Three parts are kept apart. The **resolution** is a rectangle one count wide. The **normal** part is noise
//! that differs from reading to reading. The **shared** part (calibration, reference, ground) is the same in
//! all readings. Averaging never reduces the shared part, and reduces the other two only if the noise moves
//! the converter across its counts, so that its rounding averages out: dither.

pub mod convolve;

use model::{Estimate, Uncertainty, Unit};

pub use convolve::half_width_95;

use crate::stats::quantile::{Z95, t95, t95_effective};
use crate::stats::{Summary, Window};

/// Readings must scatter by at least this many counts (standard deviation) before dither is believed.
///
/// Rounding a normal distribution of standard deviation s to counts of width q biases its mean by no more
/// than (q/pi) exp(-2 pi^2 s^2/q^2) (Widrow and Kollar, "Quantization Noise", 2008, from memory). An observed
/// spread of 0.5 q contains the rounding itself (q^2/12) and so means s = 0.41 q, a bias below 0.012 q: less
/// than a fortieth of the rectangle that is dropped.
pub const DITHER_SPREAD: f64 = 0.5;

/// Dither is believed from this many readings on; the spread of fewer is too uncertain to tell.
pub const DITHER_READINGS: usize = 8;

/// Two readings this many counts apart are still called one count apart, for rounding in the conversion.
pub(crate) const ONE_COUNT: f64 = 1.001;

/// The parts of an interval, in the unit of the channel.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Parts {
    /// Half-width of the rectangle left by the resolution; zero where dither is proven.
    pub rectangle: f64,
    /// Standard deviation of the normal part, stretched so that 1.96 of it cover 95 % although the spread is
    /// itself known only from few readings.
    pub normal: f64,
    /// Standard uncertainty that all readings share.
    pub shared: f64,
}

impl Parts {
    /// Half the width of the 95 % interval.
    pub fn half_width(&self) -> f64 {
        half_width_95(self.rectangle, self.normal.hypot(self.shared))
    }
}

/// A mean with its 95 % interval, in the unit of the channel.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct MeanInterval {
    /// The mean of the readings.
    pub mean: f64,
    /// Lower end of the interval.
    pub low: f64,
    /// Upper end of the interval.
    pub high: f64,
    /// What the interval is made of.
    pub parts: Parts,
    /// Whether the readings show dither.
    pub dithered: bool,
    /// How many readings.
    pub n: usize,
    /// How many independent readings they are worth.
    pub n_eff: f64,
}

impl MeanInterval {
    /// The estimate as it is recorded.
    pub fn estimate(&self, unit: &Unit) -> Estimate {
        Estimate { value: self.mean, low: self.low, high: self.high, unit: unit.clone() }
    }
}

/// Whether readings show enough noise against a count of width `resolution` to average its rounding out: a
/// spread of at least half a count ([`DITHER_SPREAD`]) over at least three different counts (a value
/// hopping between two counts tells only that it is near their edge) and eight readings. Without a
/// resolution any scatter will do.
pub fn shows_dither(summary: &Summary, resolution: f64) -> bool {
    if resolution <= 0.0 {
        return summary.n > 1 && summary.sd > 0.0;
    }
    summary.n >= DITHER_READINGS && summary.counts >= 3 && summary.sd >= DITHER_SPREAD * resolution
}

/// The 95 % interval of the mean of readings with the uncertainty of one reading.
///
/// - One reading, or readings that stay within one count: the described noise and the whole rectangle.
///   Nothing is averaged, because the converter hides the noise that averaging would need.
/// - Dither shown: the observed spread over the root of the effective number of readings, with Student's t
///   for as many degrees of freedom less one (JCGM 100:2008, 4.2.3 and G.3.2); no rectangle.
/// - Scatter without dither: the larger of described noise and observed spread, treated in the same way, and
///   the whole rectangle.
///
/// The mean of true values cannot lie outside the range of the readings by more than one reading's
/// uncertainty, so the interval is cut there: a window in which the value drifts keeps a sensible interval
/// although its readings are worth hardly more than one.
pub fn mean_interval(summary: &Summary, uncertainty: &Uncertainty) -> MeanInterval {
    let resolution = uncertainty.resolution.max(0.0);
    let (noise, shared) = (uncertainty.noise.max(0.0), uncertainty.shared.max(0.0));
    let dithered = shows_dither(summary, resolution);
    let still = summary.n == 1 || summary.max - summary.min <= ONE_COUNT * resolution || summary.sd == 0.0;
    let normal = if still && !dithered {
        noise
    } else {
        let spread = if dithered { summary.sd } else { summary.sd.max(noise) };
        spread / summary.n_eff.sqrt() * t95_effective(summary.n_eff - 1.0) / Z95
    };
    let rectangle = if dithered { 0.0 } else { resolution / 2.0 };
    let parts = Parts { rectangle, normal, shared };
    let half = parts.half_width();
    let (mut low, mut high) = (summary.mean - half, summary.mean + half);
    if summary.n > 1 && half > (summary.max - summary.min) / 2.0 {
        let one = summary.neighbour_sd.max(noise) * t95(summary.n - 1) / Z95;
        let reach = Parts { rectangle: resolution / 2.0, normal: one, shared }.half_width();
        low = low.max(summary.min - reach);
        high = high.min(summary.max + reach);
    }
    MeanInterval { mean: summary.mean, low, high, parts, dithered, n: summary.n, n_eff: summary.n_eff }
}

/// The mean of a window with its 95 % interval. Absent without readings.
pub fn window_estimate(window: &Window, uncertainty: &Uncertainty, unit: &Unit) -> Option<Estimate> {
    Some(mean_interval(&window.summary()?, uncertainty).estimate(unit))
}

#[cfg(test)]
mod tests {
    use model::{Moment, Span};

    use super::*;

    fn window(values: &[f64], q: f64) -> Summary {
        let mut window = Window::new(Span::from_secs(1_000));
        for (i, value) in values.iter().enumerate() {
            window.push(Moment::ZERO + Span::from_millis(100 * i as i64), *value, (value / q).round() as i64);
        }
        window.summary().unwrap()
    }

    const COUNT: Uncertainty = Uncertainty { noise: 0.0, resolution: 1.0, shared: 0.0 };

    #[test]
    fn a_constant_count_is_never_finer_than_its_rectangle() {
        for n in [1, 2, 10, 500] {
            let interval = mean_interval(&window(&vec![7.0; n], 1.0), &COUNT);
            assert!((interval.high - 7.475).abs() < 1e-12 && (interval.low - 6.525).abs() < 1e-12, "{n}");
        }
    }

    #[test]
    fn hopping_between_two_counts_is_no_dither() {
        let values: Vec<f64> = (0..100).map(|i| f64::from(i % 2)).collect();
        let interval = mean_interval(&window(&values, 1.0), &COUNT);
        assert!(!interval.dithered && (interval.parts.half_width() - 0.475).abs() < 1e-12);
    }

    #[test]
    fn averaging_never_reduces_the_shared_part() {
        let values: Vec<f64> = (0..2_000).map(|i| f64::from((i * 7919) % 11)).collect();
        let uncertainty = Uncertainty { shared: 0.8, ..COUNT };
        let interval = mean_interval(&window(&values, 1.0), &uncertainty);
        assert!(interval.dithered && interval.parts.rectangle == 0.0);
        assert!(interval.parts.half_width() >= 1.96 * 0.8 && interval.parts.half_width() < 1.96 * 0.85);
    }

    #[test]
    fn a_single_reading_has_its_described_noise() {
        let uncertainty = Uncertainty { noise: 2.0, resolution: 0.0, shared: 1.5 };
        let interval = mean_interval(&window(&[10.0], 1.0), &uncertainty);
        // JCGM 100:2008, 5.1.2: 2.0 and 1.5 combine to 2.5.
        assert!((interval.high - 10.0 - 1.96 * 2.5).abs() < 1e-3);
    }

    #[test]
    fn a_drifting_window_stays_within_reach_of_its_readings() {
        let values: Vec<f64> = (0..30).map(|i| (f64::from(i) / 8.0).round()).collect();
        let interval = mean_interval(&window(&values, 1.0), &COUNT);
        assert!(interval.low > -1.5 && interval.high < 5.5, "{interval:?}");
    }
}
