//! Ticks: the resolution to which the times of samples and gaps are kept.
//!
//! A reading's time is the middle of the interval in which the controller must have read it, and that interval is some
//! hundred microseconds wide at best. Its last nanoseconds say nothing and would cost most of a record's bytes. So the
//! middle is kept to the nearest tick, and half of the interval is rounded outward, so that the interval kept still covers
//! the true one.

use model::{Moment, Span};

/// One tick: 10 µs.
pub(crate) const TICK: Span = Span::from_micros(10);

/// The ticks that are whole moments: those beyond would not fit into 64-bit nanoseconds.
const LAST: i64 = i64::MAX / TICK.0;
const FIRST: i64 = i64::MIN / TICK.0;

/// The middle of an interval and half of it, in ticks.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct Tick {
    /// The middle.
    pub(crate) middle: i64,
    /// Half of the interval.
    pub(crate) half: i64,
}

impl Tick {
    /// The interval around a moment: the nearest tick (the later of two that are equally near), and how many ticks to
    /// either side of it cover everything within `half` of the moment. A negative half is taken for none; one that
    /// would be longer than 64-bit nanoseconds is as long as they can be.
    pub(crate) fn of(at: Moment, half: Span) -> Self {
        let (below, over) = (at.0.div_euclid(TICK.0), at.0.rem_euclid(TICK.0));
        let up = (2 * over >= TICK.0 && below < LAST) || below < FIRST;
        let (middle, off) = if up { (below + 1, TICK.0 - over) } else { (below, over) };
        let half = half.0.max(0).saturating_add(off);
        Self { middle, half: half / TICK.0 + i64::from(half % TICK.0 != 0) }
    }

    /// The middle as a moment; saturates at the ends of 64-bit nanoseconds.
    pub(crate) fn at(self) -> Moment {
        Moment(self.middle.saturating_mul(TICK.0))
    }

    /// Half of the interval as a span; saturates likewise.
    pub(crate) fn span(self) -> Span {
        Span(self.half.saturating_mul(TICK.0))
    }

    /// A moment and half of its interval as they are kept.
    #[cfg(test)]
    pub(crate) fn rounded(at: Moment, half: Span) -> (Moment, Span) {
        let tick = Self::of(at, half);
        (tick.at(), tick.span())
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn any_nanos() -> impl Strategy<Value = i64> {
        prop_oneof![
            any::<i64>(),
            -50_000..50_000i64,
            Just(i64::MIN),
            Just(i64::MAX),
            (0..30_000i64).prop_map(|n| i64::MAX - n),
            (0..30_000i64).prop_map(|n| i64::MIN + n),
        ]
    }

    proptest! {
        #[test]
        fn what_is_kept_covers_what_was_measured(at in any_nanos(), half in any_nanos()) {
            let (kept, kept_half) = Tick::rounded(Moment(at), Span(half));
            let true_half = i128::from(half.max(0));
            let (low, high) = (i128::from(at) - true_half, i128::from(at) + true_half);
            let (kept, span) = (i128::from(kept.0), i128::from(kept_half.0));
            prop_assert!(kept_half == Span::MAX || kept - span <= low && high <= kept + span);
        }

        #[test]
        fn it_is_wider_by_less_than_two_ticks(at in any_nanos(), half in 0..1_000_000_000i64) {
            let (kept, kept_half) = Tick::rounded(Moment(at), Span(half));
            prop_assert!(kept_half.0 - half < 2 * TICK.0);
            let off = (i128::from(kept.0) - i128::from(at)).abs();
            prop_assert!(off <= i128::from(TICK.0 / 2) || at.unsigned_abs() > LAST.unsigned_abs() * 10_000);
        }

        #[test]
        fn rounding_what_is_rounded_changes_nothing(at in any_nanos(), half in any_nanos()) {
            let (kept, kept_half) = Tick::rounded(Moment(at), Span(half));
            prop_assert_eq!(Tick::rounded(kept, kept_half), (kept, kept_half));
            prop_assert_eq!(Tick::of(kept, kept_half), Tick::of(Moment(at), Span(half)));
        }

        #[test]
        fn order_is_kept(a in any_nanos(), b in any_nanos()) {
            let [first, second] = [a.min(b), a.max(b)].map(|at| Tick::of(Moment(at), Span::ZERO).middle);
            prop_assert!(first <= second);
        }
    }

    #[test]
    fn a_middle_goes_to_the_nearest_tick_and_a_half_outward() {
        let of = |at, half| {
            let tick = Tick::of(Moment(at), Span(half));
            (tick.middle, tick.half)
        };
        assert_eq!(of(0, 0), (0, 0));
        assert_eq!(of(20_000, 10_000), (2, 1));
        assert_eq!(of(20_001, 10_000), (2, 2));
        assert_eq!(of(24_999, 400_000), (2, 41));
        assert_eq!(of(25_000, 400_000), (3, 41));
        assert_eq!(of(-25_000, 5_000), (-2, 1));
        assert_eq!(of(-25_001, 5_000), (-3, 1));
        assert_eq!(of(7, -1), (0, 1));
    }
}
