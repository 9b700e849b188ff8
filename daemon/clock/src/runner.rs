//! The two runners of a driver loop.

use std::future::Future;
use std::thread::JoinHandle;

use crate::Clock;

/// Why a runner could not start.
#[derive(Debug, thiserror::Error)]
pub enum RunnerError {
    /// The system gave no runtime or no thread.
    #[error("the system gave no thread or timer for the driver: {0}")]
    System(#[from] std::io::Error),
}

/// Runs a future on a rehearsal clock that starts at the given UTC, on the calling thread.
///
/// The runtime has a timer and nothing else: a paused clock beside real input or output jumps ahead while
/// the system works, so a peer outside the process has no place here.
pub fn rehearse<F, Fut>(utc_nanos: i64, make: F) -> Result<Fut::Output, RunnerError>
where
    F: FnOnce(Clock) -> Fut,
    Fut: Future,
{
    let runtime = tokio::runtime::Builder::new_current_thread().enable_time().start_paused(true).build()?;
    Ok(runtime.block_on(async { make(Clock::rehearsal(utc_nanos)).await }))
}

/// Waits for a future in real time on the calling thread: for what comes before a driver begins.
pub fn block_on<F: Future>(future: F) -> Result<F::Output, RunnerError> {
    Ok(tokio::runtime::Builder::new_current_thread().enable_all().build()?.block_on(future))
}

/// Runs a future in real time on a thread of its own with a runtime of its own, so that nothing else in the
/// program can delay it.
pub fn spawn_real<F, Fut>(
    name: &str,
    make: F,
) -> Result<JoinHandle<Result<Fut::Output, RunnerError>>, RunnerError>
where
    F: FnOnce(Clock) -> Fut + Send + 'static,
    Fut: Future,
    Fut::Output: Send + 'static,
{
    let thread = std::thread::Builder::new().name(name.to_string()).spawn(move || {
        let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build()?;
        Ok(runtime.block_on(async { make(Clock::real()).await }))
    })?;
    Ok(thread)
}

#[cfg(test)]
mod tests {
    use model::{Moment, Span};

    use super::*;

    #[test]
    fn rehearsal_waits_are_exact_to_the_microsecond_past_thirty_hours() {
        let hours = 31;
        let (woken, wanted) = rehearse(0, |clock| async move {
            let far = Moment::ZERO + Span::from_secs(hours * 3_600);
            clock.sleep_until(far).await;
            let mut misses = 0;
            // One character at 10 400 Bd lasts 961.5 µs: the step that whole milliseconds would spoil.
            let mut at = far;
            for _ in 0..1_000 {
                at += Span::from_micros(962);
                clock.sleep_until(at).await;
                misses += i32::from(clock.now() != at);
            }
            assert_eq!(misses, 0);
            (clock.now(), at)
        })
        .unwrap();
        assert_eq!(woken, wanted);
    }

    #[test]
    fn a_rehearsal_clock_stands_still_while_nobody_waits() {
        rehearse(7, |clock| async move {
            let before = clock.now();
            let busy = (0..2_000_000_u64).fold(0_u64, |a, b| std::hint::black_box(a ^ b));
            assert_eq!(clock.now(), before, "{busy}");
            clock.sleep_until(before + Span::from_micros(1)).await;
            assert_eq!(clock.now().since(before), Span::from_micros(1));
            assert_eq!(clock.anchor().utc_nanos, 7 + clock.now().0);
        })
        .unwrap();
    }

    #[test]
    fn a_computer_that_slept_finds_its_deadlines_passed() {
        rehearse(7, |clock| async move {
            let due = clock.now() + Span::from_secs(20);
            clock.sleep_until(clock.now() + Span::from_secs(1)).await;
            assert_eq!(clock.slept(), Span::ZERO);
            clock.sleep_as_computer(Span::from_secs(60));
            assert_eq!(
                (clock.now(), clock.slept()),
                (Moment::ZERO + Span::from_secs(61), Span::from_secs(60))
            );
            clock.sleep_until(due).await;
            assert_eq!(clock.now(), Moment::ZERO + Span::from_secs(61), "what was due is past due");
            clock.sleep_until(clock.now() + Span::from_micros(3)).await;
            assert_eq!(clock.now(), Moment(61_000_003_000), "later waits are exact again");
            assert_eq!(clock.anchor().utc_nanos, 7 + clock.now().0, "UTC went on as well");
        })
        .unwrap();
        let real = Clock::real();
        real.sleep_as_computer(Span::from_secs(60));
        assert!(real.slept() < Span::from_secs(1), "a real clock is not moved");
    }

    #[test]
    fn a_real_runner_has_its_own_thread_and_real_time() {
        let thread = spawn_real("driver", |clock| async move {
            let at = clock.now() + Span::from_millis(2);
            clock.sleep_until(at).await;
            (std::thread::current().name().map(str::to_string), clock.now() >= at, clock.is_rehearsal())
        })
        .unwrap();
        let (name, waited, rehearsal) = thread.join().unwrap().unwrap();
        assert_eq!(name.as_deref(), Some("driver"));
        assert!(waited && !rehearsal);
    }
}
