//! What a client must know of its link.

use model::Span;

use crate::frame::{Addressing, HeaderForm};
use crate::kline::Timing;

/// How the controller is woken.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Wakeup {
    /// The line is held low for 25 ms, released for 25 ms, then communication is started.
    Fast,
    /// Communication is started without a pulse: the line passes none, or the controller is awake.
    Awake,
}

/// What a client must know of its link.
#[derive(Debug, Clone)]
pub struct ClientConfig {
    /// Characters per second times ten: bits per second.
    pub baud: u32,
    /// The controller's address.
    pub target: u8,
    /// This tester's address.
    pub source: u8,
    /// How the controller's address is meant.
    pub addressing: Addressing,
    /// The header form to use; what the key bytes say where none is given.
    pub form: Option<HeaderForm>,
    /// The times to begin with.
    pub timing: Timing,
    /// Whether the adapter hears what it sends.
    pub echo: bool,
    /// How the controller is woken.
    pub wakeup: Wakeup,
    /// How much later than on the wire the adapter may hand a character over.
    pub latency: Span,
    /// How often a request is sent before it has failed.
    pub attempts: u8,
    /// How often a request is repeated after the controller said that it is busy.
    pub busy_attempts: u8,
    /// How long answers may stay pending in all.
    pub pending_limit: Span,
}

impl ClientConfig {
    /// Ten repeats of a busy request (our choice, no published source): about a second at default timing.
    ///
    /// Three transmissions in all (Regulation (EU) 2016/799, Annex IC, Appendix 7, DDP_027) and five minutes
    /// of pending answers (Appendix 8, CPR_037); everything else from the arguments or the standard.
    pub fn new(baud: u32, target: u8, source: u8) -> Self {
        Self {
            baud,
            target,
            source,
            addressing: Addressing::Physical,
            form: None,
            timing: Timing::DEFAULT,
            echo: true,
            wakeup: Wakeup::Fast,
            latency: Span::ZERO,
            attempts: 3,
            busy_attempts: 10,
            pending_limit: Span::from_secs(300),
        }
    }
}
