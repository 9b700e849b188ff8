//! The wish to stop, raised from anywhere at any time: a signal, a page, a test.

use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};

use tokio::sync::Notify;

#[derive(Debug, Default)]
struct Inner {
    raised: AtomicBool,
    by: std::sync::OnceLock<String>,
    notify: Notify,
}

/// A latch: once raised it stays raised. Copies share one latch.
#[derive(Debug, Clone, Default)]
pub struct Stop(Arc<Inner>);

impl Stop {
    /// A latch that is not raised.
    pub fn new() -> Self {
        Self::default()
    }

    /// Raises it. Who raised it first is remembered.
    pub fn raise(&self, by: &str) {
        // Whoever comes second finds the name set; the first name is the one to tell.
        let _ = self.0.by.set(by.to_string());
        self.0.raised.store(true, Ordering::Release);
        self.0.notify.notify_waiters();
    }

    /// Whether it is raised.
    pub fn is_raised(&self) -> bool {
        self.0.raised.load(Ordering::Acquire)
    }

    /// Who raised it.
    pub fn by(&self) -> Option<&str> {
        self.0.by.get().map(String::as_str)
    }

    /// Waits until it is raised.
    pub async fn raised(&self) {
        loop {
            // Registered before the latch is read, so that a raise in between is not missed.
            let notified = self.0.notify.notified();
            if self.is_raised() {
                return;
            }
            notified.await;
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_raised_latch_stays_raised_and_wakes_its_waiters() {
        let stop = Stop::new();
        let waiting = stop.clone();
        let thread = std::thread::spawn(move || {
            let runtime = tokio::runtime::Builder::new_current_thread().build().unwrap();
            runtime.block_on(waiting.raised());
        });
        stop.raise("ctrl-c");
        stop.raise("page");
        thread.join().unwrap();
        assert!(stop.is_raised());
        assert_eq!(stop.by(), Some("ctrl-c"));
    }
}
