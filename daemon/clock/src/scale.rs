//! The scale of a rehearsal: one tokio millisecond is one engine microsecond.
//!
//! tokio's paused clock rounds every wait up to a whole millisecond. On this scale that is a microsecond of
//! the engine's time, far below anything on a K-line (one bit at 10 400 Bd lasts 96 µs).

use std::time::Duration;

use model::Moment;

/// Tokio time passes this many times for each unit of engine time.
const STRETCH: u128 = 1_000;

/// Tokio's time since the start as a moment of the engine.
pub(crate) fn moment(elapsed: Duration) -> Moment {
    Moment(i64::try_from(elapsed.as_nanos() / STRETCH).unwrap_or(i64::MAX))
}

/// A moment of the engine, rounded up to its whole microsecond, as tokio's time since the start.
pub(crate) fn duration(at: Moment) -> Duration {
    let micros = u64::try_from(at.0.max(0)).unwrap_or(0).div_ceil(1_000);
    Duration::from_millis(micros)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn whole_microseconds_go_there_and_back() {
        for micros in [0, 1, 961, 1_280, 1_000_000, 40 * 3_600 * 1_000_000_i64] {
            assert_eq!(moment(duration(Moment(micros * 1_000))), Moment(micros * 1_000));
        }
    }

    #[test]
    fn a_part_of_a_microsecond_is_rounded_up_never_down() {
        assert_eq!(moment(duration(Moment(1_001))), Moment(2_000));
    }
}
