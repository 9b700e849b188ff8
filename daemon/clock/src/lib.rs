//! The only reader of time and the only waiter.
//!
//! A [`Clock`] is either *real* (the computer's monotonic clock) or a *rehearsal* clock (tokio's paused
//! clock, where one tokio millisecond stands for one engine microsecond). Everything that reads time or waits
//! does so through it, so that one driver loop serves both.
// This crate is where the workspace's bans on reading time and waiting end.
#![allow(clippy::disallowed_methods)]

mod anchor;
mod handoff;
mod precise;
mod runner;
mod scale;
mod steady;
mod stop;

use std::sync::Arc;
use std::sync::atomic::{AtomicI64, Ordering};

use model::{Moment, Span};

pub use anchor::Anchor;
pub use handoff::{Callee, Caller, Gone, Turn, handoff};
pub use runner::{RunnerError, block_on, rehearse, spawn_real};
pub use stop::Stop;

#[derive(Debug)]
enum Kind {
    Real {
        base: steady::Reading,
    },
    Rehearsal {
        base: tokio::time::Instant,
        utc_nanos: i64,
        /// Nanoseconds for which the computer is taken to have slept.
        slept: AtomicI64,
    },
}

/// A real wait is cut into pieces of this length at the most: the system's timers stand still while the computer
/// sleeps, and after it has woken a deadline that passed meanwhile must not be waited for much longer.
const LONGEST_NAP: Span = Span::from_secs(1);

/// A station's clock. Copies show the same time.
#[derive(Debug, Clone)]
pub struct Clock(Arc<Kind>);

impl Clock {
    /// The computer's monotonic clock, starting now. Where the system tells, it goes on while the computer
    /// sleeps: what was due meanwhile is then past due.
    pub fn real() -> Self {
        Self(Arc::new(Kind::Real { base: steady::read() }))
    }

    /// A rehearsal clock that starts at the given UTC. Only [`rehearse`] makes one, because it means nothing
    /// outside its paused runtime.
    fn rehearsal(utc_nanos: i64) -> Self {
        let (base, slept) = (tokio::time::Instant::now(), AtomicI64::new(0));
        Self(Arc::new(Kind::Rehearsal { base, utc_nanos, slept }))
    }

    /// Whether time stands still while nobody waits.
    pub fn is_rehearsal(&self) -> bool {
        matches!(*self.0, Kind::Rehearsal { .. })
    }

    /// The time now.
    pub fn now(&self) -> Moment {
        match &*self.0 {
            Kind::Real { base } => Moment::ZERO + steady::read().since(base),
            Kind::Rehearsal { base, slept, .. } => {
                scale::moment(base.elapsed()) + Span(slept.load(Ordering::Acquire))
            }
        }
    }

    /// For how long the computer has slept since this clock began: the time passed, and nothing ran. Zero for
    /// ever where the system does not tell.
    pub fn slept(&self) -> Span {
        match &*self.0 {
            Kind::Real { base } => steady::read().slept_since(base),
            Kind::Rehearsal { slept, .. } => Span(slept.load(Ordering::Acquire)),
        }
    }

    /// Lets a rehearsal's computer sleep: its time jumps. A real clock is not moved.
    pub fn sleep_as_computer(&self, time: Span) {
        if let Kind::Rehearsal { slept, .. } = &*self.0 {
            slept.fetch_add(time.0.max(0), Ordering::AcqRel);
        }
    }

    /// Waits until `at`, or not at all when `at` has passed. [`Moment::NEVER`] waits for ever.
    ///
    /// A real clock may wake a few milliseconds late (tokio's timer counts whole milliseconds): use
    /// [`Clock::sleep_until_precisely`] before a transmission. A rehearsal clock wakes exactly, on the next
    /// whole microsecond.
    pub async fn sleep_until(&self, at: Moment) {
        if at == Moment::NEVER {
            return std::future::pending().await;
        }
        loop {
            let left = at.since(self.now());
            if left <= Span::ZERO {
                return;
            }
            match &*self.0 {
                Kind::Real { .. } => tokio::time::sleep(precise::duration(left.min(LONGEST_NAP))).await,
                // tokio's clock does not know of the computer's sleep.
                Kind::Rehearsal { base, slept, .. } => {
                    let at = at - Span(slept.load(Ordering::Acquire));
                    tokio::time::sleep_until(*base + scale::duration(at)).await;
                }
            }
        }
    }

    /// Waits until `at` as precisely as the machine allows: on a real clock the last stretch is waited out by
    /// the thread itself, so only a thread with nothing else to do may call this.
    pub async fn sleep_until_precisely(&self, at: Moment) {
        if self.is_rehearsal() || at == Moment::NEVER {
            return self.sleep_until(at).await;
        }
        self.sleep_until(at - precise::LAST_STRETCH).await;
        precise::wait_thread(self, at);
    }

    /// Ties this clock to UTC.
    pub fn anchor(&self) -> Anchor {
        match &*self.0 {
            Kind::Real { .. } => anchor::system(self),
            Kind::Rehearsal { utc_nanos, .. } => anchor::rehearsal(self.now(), *utc_nanos),
        }
    }
}
