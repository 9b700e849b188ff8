//! Waits that tokio's timer cannot make: it counts whole milliseconds and wakes about one late.

use std::time::Duration;

use model::{Moment, Span};

use crate::Clock;

/// How long before the moment the thread takes over from the timer: more than the timer's usual lateness.
pub(crate) const LAST_STRETCH: Span = Span::from_millis(3);

/// A span as a standard duration; nothing for a negative one.
pub(crate) fn duration(span: Span) -> Duration {
    Duration::from_nanos(u64::try_from(span.0).unwrap_or(0))
}

/// Waits on the thread itself. A sleeping thread wakes about 0.1 ms late; that much is left to spinning.
pub(crate) fn wait_thread(clock: &Clock, at: Moment) {
    const SPIN: Span = Span::from_micros(150);
    loop {
        let left = at.since(clock.now());
        if left <= Span::ZERO {
            return;
        }
        if left > SPIN { std::thread::sleep(duration(left - SPIN)) } else { std::hint::spin_loop() }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn never_wakes_early_and_a_past_moment_does_not_wait() {
        let runtime = tokio::runtime::Builder::new_current_thread().enable_time().build().unwrap();
        runtime.block_on(async {
            let clock = Clock::real();
            for micros in [100, 900, 4_200] {
                let at = clock.now() + Span::from_micros(micros);
                clock.sleep_until_precisely(at).await;
                assert!(clock.now() >= at);
            }
            clock.sleep_until_precisely(Moment::ZERO).await;
        });
    }
}
