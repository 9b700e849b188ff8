//! What goes into and comes out of a client, in every dialect.

use model::event::WireFault;
use model::{Exchange, Moment};

use crate::frame::FrameError;
use crate::kline::KeyBytes;
use crate::service::NegativeCode;

/// What to put on the line.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Transmit {
    /// One character.
    Byte(u8),
    /// Hold the line low.
    Low,
    /// Release the line.
    High,
}

/// One character that came.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Received {
    /// Its eight bits.
    pub byte: u8,
    /// When it was complete.
    pub end: Moment,
    /// Whether its stop bit was missing.
    pub broken: bool,
}

/// What the answer to a request must be like.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Expected {
    /// How it begins. In ISO 14230 this is what follows the service id, which is checked anyway.
    pub begins: Vec<u8>,
    /// How many bytes it has in all; none means that no answer comes. Messages of ISO 14230 tell their own length:
    /// there it only serves to reckon the time.
    pub length: usize,
}

/// When an exchange happened.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct ExchangeTimes {
    /// Start of the first character of the request.
    pub first: Moment,
    /// End of the last character of the request.
    pub asked: Moment,
    /// Start of the first character of the answer. What the controller tells it read between `asked` and now.
    pub answering: Moment,
    /// End of the last character of the answer.
    pub answered: Moment,
}

/// The final answer to a request, positive or negative.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Answer {
    /// In ISO 14230 the service id and what follows it; nothing for a request that asks for no answer.
    pub data: Vec<u8>,
    /// The code of a negative answer; none for a positive one, and in dialects without negative answers.
    pub refused: Option<NegativeCode>,
    /// When it happened.
    pub times: ExchangeTimes,
}

/// Why a request could not be made.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
pub enum Failure {
    /// Another request is in flight, or the controller is not awake.
    #[error("the link is not ready for a request")]
    NotReady,
    /// The request is not a message.
    #[error("{0}")]
    Frame(FrameError),
}

/// What has happened.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Event {
    /// The controller is awake; with its key bytes where the dialect has them.
    Up(Option<KeyBytes>),
    /// It could not be woken.
    WakeFailed(WireFault),
    /// It answers the wake-up in a way that is not of this dialect.
    WakeRefused(String),
    /// A request has its answer.
    Answered(Answer),
    /// One attempt failed.
    Fault {
        /// How.
        fault: WireFault,
        /// The request's data.
        request: Vec<u8>,
        /// Which attempt, from 1.
        attempt: u8,
    },
    /// A request in a hurry was given up, because its answer was put off.
    GivenUp,
    /// All attempts failed.
    Failed(WireFault),
    /// One attempt is over, as it was on the wire. Told only while a trace is wanted, before what came of it.
    Exchange(Exchange),
}
