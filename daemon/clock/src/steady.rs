//! The system's two steady clocks: one that stands still while the computer sleeps, and one that goes on.

use model::Span;

/// One look at both.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Reading {
    /// Since some beginning, the computer's sleep included.
    with_sleep: i64,
    /// Since some beginning, the computer's sleep left out.
    awake: i64,
}

impl Reading {
    /// The time from another reading to this one.
    pub(crate) fn since(&self, earlier: &Self) -> Span {
        Span(self.with_sleep.saturating_sub(earlier.with_sleep))
    }

    /// The part of that time in which the computer slept. Two clocks cannot be read at once, so a few
    /// microseconds either way mean nothing.
    pub(crate) fn slept_since(&self, earlier: &Self) -> Span {
        let before = earlier.with_sleep.saturating_sub(earlier.awake);
        Span(self.with_sleep.saturating_sub(self.awake).saturating_sub(before).max(0))
    }
}

/// Reads both.
#[cfg(target_os = "linux")]
pub(crate) fn read() -> Reading {
    use rustix::time::{ClockId, clock_gettime};
    let nanos = |id| {
        let time = clock_gettime(id);
        time.tv_sec.saturating_mul(1_000_000_000).saturating_add(time.tv_nsec)
    };
    let awake = nanos(ClockId::Monotonic);
    Reading { with_sleep: nanos(ClockId::Boottime), awake }
}

/// Reads the one there is: sleep is not told apart here.
#[cfg(not(target_os = "linux"))]
pub(crate) fn read() -> Reading {
    use std::sync::OnceLock;
    use std::time::Instant;
    static BASE: OnceLock<Instant> = OnceLock::new();
    let nanos = i64::try_from(BASE.get_or_init(Instant::now).elapsed().as_nanos()).unwrap_or(i64::MAX);
    Reading { with_sleep: nanos, awake: nanos }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn sleep_is_what_only_one_of_the_clocks_counts() {
        let before = Reading { with_sleep: 1_000, awake: 900 };
        let after = Reading { with_sleep: 9_000, awake: 2_900 };
        assert_eq!(after.since(&before), Span(8_000));
        assert_eq!(after.slept_since(&before), Span(6_000));
        assert!(read().slept_since(&read()) < Span::from_millis(50));
    }
}
