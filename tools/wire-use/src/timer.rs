//! What a machine's ordinary timer does beside the driver's, and work that keeps its cores busy.

use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::thread::JoinHandle;

use clock::{RunnerError, spawn_real};
use model::Span;
use model::event::Spread;

/// How far ahead each of the waits is set: the usual gap between two requests, in its order of magnitude.
const AHEAD: Span = Span::from_millis(7);

/// Loops that do nothing else, until dropped.
#[derive(Debug)]
pub struct Busy {
    over: Arc<AtomicBool>,
    threads: Vec<JoinHandle<()>>,
}

impl Busy {
    /// Starts so many.
    pub fn loops(count: usize) -> Self {
        let over = Arc::new(AtomicBool::new(false));
        let spin = |over: Arc<AtomicBool>| {
            std::thread::spawn(move || {
                while !over.load(Ordering::Relaxed) {
                    std::hint::spin_loop();
                }
            })
        };
        let threads = (0..count).map(|_| spin(over.clone())).collect();
        Self { over, threads }
    }
}

impl Drop for Busy {
    fn drop(&mut self) {
        self.over.store(true, Ordering::Relaxed);
        for thread in self.threads.drain(..) {
            // A loop that does nothing cannot panic.
            thread.join().expect("it only spins");
        }
    }
}

/// How late waits with the library's own timer (`tokio::time::sleep`) are over, on a thread of ordinary priority, for
/// as long as `time`.
pub fn plain_sleeps(time: Span) -> Result<Spread, RunnerError> {
    let thread = spawn_real("timer", move |clock| async move {
        let (mut late, until) = (Vec::new(), clock.now() + time);
        while clock.now() < until {
            let at = clock.now() + AHEAD;
            clock.sleep_until(at).await;
            late.push(clock.now().since(at));
        }
        spread(late)
    })?;
    thread.join().expect("it only waits")
}

/// The distribution of some times.
fn spread(mut times: Vec<Span>) -> Spread {
    times.sort_unstable();
    // Nearest rank: the smallest time that so many in a hundred do not exceed.
    let rank = |hundredths: usize| {
        let place = (times.len() * hundredths).div_ceil(100).saturating_sub(1);
        times.get(place).copied().unwrap_or_default()
    };
    Spread { count: times.len() as u64, median: rank(50), p99: rank(99), worst: rank(100) }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn ranks_are_the_nearest_ones() {
        // Worked by hand: of 1 to 200, the 100th, the 198th and the last.
        let spread = spread((1..=200).rev().map(Span::from_millis).collect());
        assert_eq!(spread.median, Span::from_millis(100));
        assert_eq!(spread.p99, Span::from_millis(198));
        assert_eq!((spread.worst, spread.count), (Span::from_millis(200), 200));
        assert_eq!(super::spread(Vec::new()), Spread::default());
    }
}
