//! The tester's end of a wire, whatever is spoken on it.
//!
//! Dialects are an enum and not a trait: the set is closed, each comes with its machine in this crate, and a match
//! that must name them all shows every place where a new one has to say what it does. The conductor stays free of
//! type parameters and boxes. What differs between dialects and concerns the conductor is asked here: times, what
//! keeps a session alive, and whether there are services at all.

mod words;

use model::{Moment, Span};

pub use self::words::{Answer, Event, ExchangeTimes, Expected, Failure, Received, Transmit};
use crate::{Deadline, kline, service, single};

/// What a client must know of its link.
#[derive(Debug, Clone)]
pub enum DialectConfig {
    /// ISO 14230.
    Iso14230(kline::ClientConfig),
    /// Single bytes without frames.
    SingleByte(single::SingleConfig),
}

impl From<kline::ClientConfig> for DialectConfig {
    fn from(config: kline::ClientConfig) -> Self {
        Self::Iso14230(config)
    }
}

impl From<single::SingleConfig> for DialectConfig {
    fn from(config: single::SingleConfig) -> Self {
        Self::SingleByte(config)
    }
}

/// The tester's end of a wire.
#[derive(Debug)]
pub enum Client {
    /// ISO 14230.
    Iso14230(kline::Client),
    /// Single bytes without frames.
    SingleByte(single::Client),
}

/// The same call of whichever client there is.
macro_rules! either {
    ($self:ident, $client:ident => $call:expr) => {
        match $self {
            Self::Iso14230($client) => $call,
            Self::SingleByte($client) => $call,
        }
    };
}

impl Client {
    /// A client of a controller that has not been woken.
    pub fn new(config: DialectConfig) -> Self {
        match config {
            DialectConfig::Iso14230(config) => Self::Iso14230(kline::Client::new(config)),
            DialectConfig::SingleByte(config) => Self::SingleByte(single::Client::new(config)),
        }
    }

    /// Whether the controller knows the services of ISO 14230-3 and SAE J1979: a byte of theirs would mean something
    /// else, or anything, to one that does not.
    pub fn has_services(&self) -> bool {
        match self {
            Self::Iso14230(_) => true,
            Self::SingleByte(_) => false,
        }
    }

    /// Whether the controller has been woken and not been lost since.
    pub fn is_connected(&self) -> bool {
        either!(self, client => client.is_connected())
    }

    /// Whether a request may be given.
    pub fn is_idle(&self) -> bool {
        either!(self, client => client.is_idle())
    }

    /// The time of one character.
    pub fn character(&self) -> Span {
        either!(self, client => client.character())
    }

    /// The end of the last character of a request, sent or scheduled.
    pub fn last_asked(&self) -> Option<Moment> {
        either!(self, client => client.last_asked())
    }

    /// The shortest time from an answer to the next request.
    pub fn request_gap(&self) -> Span {
        match self {
            Self::Iso14230(client) => client.timing().p3_min,
            Self::SingleByte(client) => client.config().request_gap,
        }
    }

    /// How long a request of so many bytes of data can take from its turn on the wire to its last character, the
    /// wait before it included.
    pub fn lead(&self, request: usize) -> Span {
        match self {
            Self::Iso14230(client) => {
                let timing = client.timing();
                let characters = client.wire_length(request) as i64;
                timing.p3_min + (client.character() + timing.p4_min) * characters + client.latency()
            }
            Self::SingleByte(client) => client.lead(request),
        }
    }

    /// The longest time from now to the end of an exchange with so many bytes of data each way, the wait before it
    /// included; an answer that is put off as pending is not in it.
    pub fn longest_exchange(&self, request: usize, answer: usize) -> Span {
        match self {
            Self::Iso14230(client) => {
                let (request, answer) = (client.wire_length(request), client.wire_length(answer));
                let timing = client.timing();
                timing.p3_min + timing.longest_exchange(request, answer, client.character())
            }
            Self::SingleByte(client) => client.longest_exchange(request, answer),
        }
    }

    /// The shortest time that an exchange with so many bytes of data each way takes, the gap to the next included.
    pub fn shortest_exchange(&self, request: usize, answer: usize) -> Span {
        match self {
            Self::Iso14230(client) => {
                let (request, answer) = (client.wire_length(request), client.wire_length(answer));
                client.timing().shortest_exchange(request, answer, client.character())
            }
            Self::SingleByte(client) => client.shortest_exchange(request, answer),
        }
    }

    /// After how long without a request the dialect itself ends a session; none where it has no such rule.
    pub fn longest_silence(&self) -> Option<Span> {
        match self {
            Self::Iso14230(client) => Some(client.timing().p3_max),
            Self::SingleByte(_) => None,
        }
    }

    /// What keeps the controller from letting go when there is nothing else to ask.
    pub fn keep_alive(&self) -> (Vec<u8>, Expected) {
        match self {
            Self::Iso14230(_) => {
                let request = vec![service::TESTER_PRESENT, service::ANSWER_WANTED];
                let length = request.len();
                (request, Expected { begins: Vec::new(), length })
            }
            Self::SingleByte(client) => {
                let config = client.config();
                (config.keep_alive.clone(), config.keep_alive_answer.clone())
            }
        }
    }

    /// Uses other times from the next request on. Only ISO 14230 has times that change while it is spoken.
    pub fn set_timing(&mut self, timing: kline::Timing) {
        match self {
            Self::Iso14230(client) => client.set_timing(timing),
            Self::SingleByte(_) => {}
        }
    }

    /// Wakes the controller. Only while idle; anything else is ignored.
    pub fn wake(&mut self, now: Moment) {
        either!(self, client => client.wake(now));
    }

    /// Treats the controller as awake although this client did not wake it.
    pub fn assume_connected(&mut self, now: Moment) {
        either!(self, client => client.assume_connected(now));
    }

    /// Treats the controller as lost. Whatever was in flight is dropped.
    pub fn disconnect(&mut self) {
        either!(self, client => client.disconnect());
    }

    /// Gives up whatever is in flight. What has been sent of it is forgotten by the controller before the next
    /// request begins.
    pub fn abandon(&mut self, now: Moment) {
        either!(self, client => client.abandon(now));
    }

    /// Asks. Only while idle and connected; anything else is refused and nothing happens.
    pub fn request(&mut self, now: Moment, data: &[u8], expected: &Expected) -> Result<(), Failure> {
        match self {
            Self::Iso14230(client) => client.request(now, data, &expected.begins),
            Self::SingleByte(client) => client.request(now, data, expected),
        }
    }

    /// Whether every attempt is told as it was on the wire ([`Event::Exchange`]).
    pub fn trace(&mut self, wanted: bool) {
        either!(self, client => client.trace(wanted));
    }

    /// Has what waits for its turn wait for no more than the rest of one message, whoever else speaks.
    pub fn insist(&mut self, now: Moment) {
        either!(self, client => client.insist(now));
    }

    /// Makes room for something more urgent.
    pub fn hurry(&mut self, now: Moment) {
        either!(self, client => client.hurry(now));
    }

    /// The next moment at which `timeout` must be called, and why.
    pub fn deadline(&self) -> Option<Deadline> {
        either!(self, client => client.deadline())
    }

    /// Says that the time is `now`.
    pub fn timeout(&mut self, now: Moment) {
        either!(self, client => client.timeout(now));
    }

    /// Takes characters that came.
    pub fn bytes(&mut self, now: Moment, received: &[Received]) {
        either!(self, client => client.bytes(now, received));
    }

    /// What to put on the line next.
    pub fn poll_transmit(&mut self) -> Option<Transmit> {
        either!(self, client => client.poll_transmit())
    }

    /// What has happened.
    pub fn poll_event(&mut self) -> Option<Event> {
        either!(self, client => client.poll_event())
    }
}
