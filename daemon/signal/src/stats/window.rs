//! A sliding window of readings at irregular times.

use model::{Moment, Span};

use crate::stats::line::{Line, fit_line};
use crate::stats::moments::{Sums, effective_size};

/// One usable reading.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Reading {
    /// When the controller read it.
    pub at: Moment,
    /// Seconds since the first reading of the window's present run.
    pub seconds: f64,
    /// The value, finite.
    pub value: f64,
    /// The converter count behind it.
    pub raw: i64,
}

/// What the readings in a window say together, in the unit of their values.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Summary {
    /// How many readings; at least 1.
    pub n: usize,
    /// Their mean.
    pub mean: f64,
    /// Their standard deviation; zero for one reading.
    pub sd: f64,
    /// Their lag-1 autocorrelation; absent when they do not scatter.
    pub lag1: Option<f64>,
    /// How many independent readings they are worth ([`effective_size`]); from 1 to `n`.
    pub n_eff: f64,
    /// Standard deviation of one reading from the differences of neighbours ([`Sums::neighbour_sd`]).
    pub neighbour_sd: f64,
    /// The smallest value.
    pub min: f64,
    /// The largest value.
    pub max: f64,
    /// How many different counts there are, at least; counting stops at 3.
    pub counts: u8,
}

/// A window bounded in time and in number. Its newest reading marks its end; what is older than its length
/// before that is dropped.
#[derive(Debug, Clone)]
pub struct Window {
    length: Span,
    most: usize,
    // Readings from `start` on are in the window. Those before it are removed only once they make up half
    // of the vector, so that a reading costs constant time on average and the window stays one slice.
    held: Vec<Reading>,
    start: usize,
    first: Option<Moment>,
}

impl Window {
    /// The most readings a window holds unless told otherwise.
    pub const MOST: usize = 4_096;

    /// A window of this length; a negative length is taken as zero.
    pub fn new(length: Span) -> Self {
        Self::with_most(length, Self::MOST)
    }

    /// A window of this length and at most `most` readings (at least 1).
    pub fn with_most(length: Span, most: usize) -> Self {
        Self { length: length.max(Span::ZERO), most: most.max(1), held: Vec::new(), start: 0, first: None }
    }

    /// Adds a reading and drops what has grown too old. A reading that is no later than the newest, or not a
    /// finite number, is refused: it says so by `false`.
    pub fn push(&mut self, at: Moment, value: f64, raw: i64) -> bool {
        if !value.is_finite() || self.newest().is_some_and(|newest| at <= newest.at) {
            return false;
        }
        let first = *self.first.get_or_insert(at);
        self.held.push(Reading { at, seconds: at.since(first).as_secs_f64(), value, raw });
        let oldest = at - self.length;
        while self.held[self.start].at < oldest || self.held.len() - self.start > self.most {
            self.start += 1;
        }
        if self.start > 32 && self.start * 2 > self.held.len() {
            self.held.drain(..self.start);
            self.start = 0;
        }
        true
    }

    /// Forgets everything.
    pub fn clear(&mut self) {
        self.held.clear();
        self.start = 0;
        self.first = None;
    }

    /// The readings, oldest first.
    pub fn readings(&self) -> &[Reading] {
        &self.held[self.start..]
    }

    /// The newest reading.
    pub fn newest(&self) -> Option<&Reading> {
        self.readings().last()
    }

    /// The length the window was made with.
    pub fn length(&self) -> Span {
        self.length
    }

    /// For how long readings have been coming since the window was made or cleared, whether or not they are
    /// still in it.
    pub fn run(&self) -> Span {
        match (self.first, self.newest()) {
            (Some(first), Some(newest)) => newest.at.since(first),
            _ => Span::ZERO,
        }
    }

    /// What the readings say together. Absent without readings and where a result is not a finite number.
    pub fn summary(&self) -> Option<Summary> {
        let readings = self.readings();
        let (first, rest) = readings.split_first()?;
        let mut sums = Sums::new(first.value);
        rest.iter().for_each(|r| sums.push(r.value));
        let m = sums.moments()?;
        let (min, max) = sums.range();
        let summary = Summary {
            n: m.n,
            mean: m.mean.clamp(min, max),
            sd: m.sd,
            lag1: m.lag1,
            n_eff: effective_size(m.n, m.lag1),
            neighbour_sd: sums.neighbour_sd(),
            min,
            max,
            counts: different_counts(readings),
        };
        summary.neighbour_sd.is_finite().then_some(summary)
    }

    /// The least-squares line through the readings over the seconds of [`Reading::seconds`].
    pub fn line(&self) -> Option<Line> {
        fit_line(self.readings().iter().map(|r| (r.seconds, r.value)))
    }
}

/// How many different counts, up to 3.
fn different_counts(readings: &[Reading]) -> u8 {
    let Some(first) = readings.first() else { return 0 };
    let mut second = None;
    for reading in readings.iter().filter(|r| r.raw != first.raw) {
        match second {
            None => second = Some(reading.raw),
            Some(raw) if raw != reading.raw => return 3,
            Some(_) => {}
        }
    }
    if second.is_some() { 2 } else { 1 }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn ms(n: i64) -> Moment {
        Moment::ZERO + Span::from_millis(n)
    }

    #[test]
    fn the_window_is_bounded_in_time_and_in_number() {
        let mut window = Window::with_most(Span::from_millis(100), 5);
        for (i, at) in [0, 7, 30, 95, 101, 140, 150, 155, 158].into_iter().enumerate() {
            assert!(window.push(ms(at), i as f64, i as i64));
            assert!(window.readings().len() <= 5);
            assert!(window.readings().iter().all(|r| ms(at).since(r.at) <= Span::from_millis(100)));
        }
        assert_eq!(window.readings().iter().map(|r| r.raw).collect::<Vec<_>>(), [4, 5, 6, 7, 8]);
        assert_eq!(window.run(), Span::from_millis(158));
    }

    #[test]
    fn a_long_run_keeps_only_its_window() {
        let mut window = Window::new(Span::from_secs(1));
        for i in 0..100_000 {
            window.push(ms(i * 10), (i % 7) as f64, i % 7);
        }
        assert_eq!(window.readings().len(), 101);
        assert!(window.held.len() < 300, "{}", window.held.len());
        assert_eq!(window.summary().unwrap().counts, 3);
    }

    #[test]
    fn what_is_late_twice_or_no_number_is_refused() {
        let mut window = Window::new(Span::from_secs(1));
        assert!(window.push(ms(5), 1.0, 1));
        assert!(!window.push(ms(5), 1.0, 1));
        assert!(!window.push(ms(4), 1.0, 1));
        assert!(!window.push(ms(6), f64::NAN, 1));
        assert_eq!(window.readings().len(), 1);
    }

    #[test]
    fn neighbours_tell_noise_from_drift() {
        // A pure ramp of 1 a reading: the spread is that of the ramp, neighbours differ by 1, so 1/sqrt(2).
        let mut window = Window::new(Span::from_secs(100));
        (0..50).for_each(|i| assert!(window.push(ms(i * 100), i as f64, i)));
        let summary = window.summary().unwrap();
        assert!((summary.neighbour_sd - 0.5f64.sqrt()).abs() < 1e-12);
        assert!(summary.sd > 14.0 && summary.n_eff < 2.0);
    }
}
