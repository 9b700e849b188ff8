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
mod stop;

use std::sync::Arc;
use std::time::Instant;

use model::Moment;

pub use anchor::Anchor;
pub use handoff::{Callee, Caller, Gone, Turn, handoff};
pub use runner::{RunnerError, rehearse, spawn_real};
pub use stop::Stop;

#[derive(Debug)]
enum Kind {
    Real { base: Instant },
    Rehearsal { base: tokio::time::Instant, utc_nanos: i64 },
}

/// A station's clock. Copies show the same time.
#[derive(Debug, Clone)]
pub struct Clock(Arc<Kind>);

impl Clock {
    /// The computer's monotonic clock, starting now.
    pub fn real() -> Self {
        Self(Arc::new(Kind::Real { base: Instant::now() }))
    }

    /// A rehearsal clock that starts at the given UTC. Only [`rehearse`] makes one, because it means nothing
    /// outside its paused runtime.
    fn rehearsal(utc_nanos: i64) -> Self {
        Self(Arc::new(Kind::Rehearsal { base: tokio::time::Instant::now(), utc_nanos }))
    }

    /// Whether time stands still while nobody waits.
    pub fn is_rehearsal(&self) -> bool {
        matches!(*self.0, Kind::Rehearsal { .. })
    }

    /// The time now.
    pub fn now(&self) -> Moment {
        match &*self.0 {
            Kind::Real { base } => Moment(base.elapsed().as_nanos() as i64),
            Kind::Rehearsal { base, .. } => scale::moment(base.elapsed()),
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
        if at <= self.now() {
            return;
        }
        match &*self.0 {
            Kind::Real { base } => {
                tokio::time::sleep_until((*base + precise::duration(at.since(Moment::ZERO))).into()).await;
            }
            Kind::Rehearsal { base, .. } => tokio::time::sleep_until(*base + scale::duration(at)).await,
        }
    }

    /// Waits until `at` as precisely as the machine allows: on a real clock the last stretch is waited out by
    /// the thread itself, so only a thread with nothing else to do may call this.
    pub async fn sleep_until_precisely(&self, at: Moment) {
        if let Kind::Real { base } = &*self.0
            && at != Moment::NEVER
        {
            self.sleep_until(at - precise::LAST_STRETCH).await;
            precise::wait_thread(*base, at);
            return;
        }
        self.sleep_until(at).await;
    }

    /// Ties this clock to UTC.
    pub fn anchor(&self) -> Anchor {
        match &*self.0 {
            Kind::Real { .. } => anchor::system(self),
            Kind::Rehearsal { utc_nanos, .. } => anchor::rehearsal(self.now(), *utc_nanos),
        }
    }
}
