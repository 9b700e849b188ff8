//! The step in which the times of readings are kept.
//!
//! A reading's time is known to some tenths of a millisecond at best, so nanoseconds would only be noise that
//! costs room. Its middle goes to the nearest tick, and half of its interval is rounded outward, so that the
//! interval kept always covers the one measured.

use model::{Moment, Span};

/// One tick.
pub(crate) const TICK: Span = Span::from_micros(10);

/// The middle of an interval and half of it, in ticks.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct Tick {
    /// The middle.
    pub(crate) middle: i64,
    /// Half of the interval.
    pub(crate) half: i64,
}

impl Tick {
    /// The interval around a moment, rounded outward.
    pub(crate) fn of(at: Moment, half: Span) -> Self {
        let tick = i128::from(TICK.0);
        let exact = i128::from(at.0);
        let middle = (exact + tick / 2).div_euclid(tick);
        let off = (exact - middle * tick).abs();
        let outward = i128::from(half.0) + off;
        let half = outward.div_euclid(tick) + i128::from(outward.rem_euclid(tick) != 0);
        let fits = |n: i128| n.clamp(i64::MIN.into(), i64::MAX.into()) as i64;
        Self { middle: fits(middle), half: fits(half) }
    }

    /// The middle as a moment; saturates at the ends of 64-bit nanoseconds.
    pub(crate) fn at(self) -> Moment {
        Moment(self.middle.saturating_mul(TICK.0))
    }

    /// Half of the interval as a span; saturates likewise.
    pub(crate) fn span(self) -> Span {
        Span(self.half.saturating_mul(TICK.0))
    }
}
