//! Transports: one trait, one factory, one folder a kind.

mod factory;
pub mod in_process;
pub mod mock;
pub mod serial;

use std::task::{Context, Poll};

use clock::Clock;
use model::{Moment, Problem, Span};
use wire::kline::Received;

pub use factory::{Factory, Kind};

/// Why a transport cannot go on. After one of these it is lost and must be opened anew.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum TransportError {
    /// The other side is gone: unplugged, closed, or it gives endless nothing.
    #[error("the port is gone: {0}")]
    Gone(String),
    /// The port cannot do what was asked of it.
    #[error("the port cannot {what}: {why}")]
    Unable {
        /// What was asked.
        what: &'static str,
        /// Why not.
        why: String,
    },
}

/// What a kind of wire can do and costs.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Abilities {
    /// Whether it passes a break, so that a controller can be woken by a pulse. A pseudo-terminal does not.
    pub passes_break: bool,
    /// How long it may hold characters back before it hands them over.
    pub latency: Span,
}

impl Default for Abilities {
    fn default() -> Self {
        Self { passes_break: true, latency: Span::ZERO }
    }
}

/// Opens a wire again after it was lost.
pub type Reopen = Box<dyn FnMut(&Clock) -> Result<Box<dyn Transport>, Problem>>;

/// A wire to a controller. Object-safe: which kind it is, only the factory knows.
///
/// Setters give back what was achieved. Nothing here waits except [`Transport::poll_read`].
pub trait Transport {
    /// What it can do and costs.
    fn abilities(&self) -> Abilities {
        Abilities::default()
    }

    /// Puts characters on the line, one after another.
    fn write(&mut self, now: Moment, bytes: &[u8]) -> Result<(), TransportError>;

    /// Holds the line low (a break) or releases it. False where this kind passes no break.
    fn set_level(&mut self, now: Moment, low: bool) -> Result<bool, TransportError>;

    /// Sets the rate in bits per second; gives the rate achieved.
    fn set_baud(&mut self, now: Moment, baud: u32) -> Result<u32, TransportError>;

    /// Forgets what came and was not read.
    fn purge(&mut self, now: Moment) -> Result<(), TransportError>;

    /// Reads what has come, with the moment at which each character was complete. Pending, with the waker
    /// noted, when nothing has.
    fn poll_read(
        &mut self,
        context: &mut Context<'_>,
        now: Moment,
        into: &mut Vec<Received>,
    ) -> Poll<Result<(), TransportError>>;

    /// The moment at which reading may give something without any waker: for peers in this process.
    fn next_arrival(&self) -> Option<Moment> {
        None
    }
}
