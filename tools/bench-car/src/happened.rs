//! What the controller did, with the moments at which it did it.

use crate::truth::Readings;

/// Something the controller did or noticed. Moments are nanoseconds on the caller's clock.
#[derive(Debug, Clone, PartialEq)]
pub enum Happened {
    /// A valid wake-up pulse ended.
    Woken {
        /// Its rising edge.
        at: i64,
    },
    /// StartCommunication was accepted.
    Opened {
        /// When.
        at: i64,
    },
    /// Communication ended; session, timing and every control fell back to their defaults.
    Closed {
        /// When.
        at: i64,
        /// Why.
        why: Why,
    },
    /// A request was taken.
    Request {
        /// The end of its last byte.
        at: i64,
        /// The whole message with header and checksum.
        bytes: Vec<u8>,
    },
    /// Something was heard and not taken.
    Ignored {
        /// When it ended.
        at: i64,
        /// Why.
        why: Ignored,
    },
    /// The sensors were sampled for an answer.
    Sampled {
        /// When.
        at: i64,
        /// What was really so.
        truth: Readings,
        /// What the converter saw: the truth with the sensors' noise, before it became counts.
        analog: Readings,
    },
    /// A session was entered.
    Session {
        /// When.
        at: i64,
        /// Its type byte.
        kind: u8,
    },
    /// Other timing took effect.
    Timing {
        /// When.
        at: i64,
        /// As encoded by accessTimingParameters: P2min, P2max, P3min, P3max, P4min.
        bytes: [u8; 5],
    },
    /// The idle valve was taken under tester control, or told another position.
    Held {
        /// When.
        at: i64,
        /// Position, in steps.
        steps: u8,
    },
    /// The idle valve went back to the controller.
    Released {
        /// When.
        at: i64,
        /// Why.
        why: Why,
    },
    /// Stored codes were cleared.
    CodesCleared {
        /// When.
        at: i64,
    },
    /// A message was sent.
    Sent {
        /// Start of its first byte.
        start: i64,
        /// End of its last byte.
        end: i64,
        /// The whole message with header and checksum.
        bytes: Vec<u8>,
    },
    /// A message was kept back by a fault of the controller.
    Withheld {
        /// When it would have begun.
        at: i64,
        /// The whole message.
        bytes: Vec<u8>,
    },
    /// The key was turned.
    Key {
        /// When.
        at: i64,
        /// On or off.
        on: bool,
    },
}

/// Why communication ended or a control was released.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Why {
    /// A request asked for it.
    Request,
    /// No request came within P3max.
    Timeout,
    /// The key was turned off.
    KeyOff,
    /// StopCommunication.
    StopCommunication,
    /// Another session was entered, or a new wake-up began everything again.
    SessionChange,
    /// The controller restarted.
    Reset,
}

/// Why something heard was not taken.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Ignored {
    /// The low pulse was no wake-up: it lasted this long, in nanoseconds.
    Pulse(i64),
    /// The wake-up pulse came this soon after the last traffic, in nanoseconds.
    NoIdle(i64),
    /// StartCommunication began this long after the pulse's falling edge, outside TWuP, in nanoseconds.
    TwUp(i64),
    /// The message is broken: wrong checksum, no valid header, or a byte with a framing error.
    Broken,
    /// The message stopped in its middle for longer than P4max.
    Unfinished,
    /// The message is for this other address.
    Foreign(u8),
    /// The header form is none of those the key bytes offer.
    Form,
    /// No communication was open.
    NotOpen,
    /// The request began this long after the last answer (negative: before its end), in nanoseconds.
    P3Min(i64),
    /// Two bytes of the request were this close, in nanoseconds.
    P4Min(i64),
    /// A fault keeps the controller silent.
    Silent,
    /// This byte begins nothing that the controller knows.
    Unknown(u8),
    /// This byte came while the controller was answering.
    WhileAnswering(u8),
}

impl Ignored {
    /// Whether the tester broke a rule of timing or form, as opposed to noise on the line.
    pub fn is_violation(self) -> bool {
        matches!(
            self,
            Self::Pulse(_)
                | Self::NoIdle(_)
                | Self::TwUp(_)
                | Self::Form
                | Self::P3Min(_)
                | Self::P4Min(_)
                | Self::WhileAnswering(_)
        )
    }
}

/// The record of what happened.
#[derive(Debug)]
pub(crate) struct Log {
    pub(crate) entries: Vec<Happened>,
    keep: bool,
}

impl Log {
    pub(crate) fn new(keep: bool) -> Self {
        Self { entries: Vec::new(), keep }
    }

    /// Notes what `what` makes, if anything is noted at all.
    pub(crate) fn note(&mut self, what: impl FnOnce() -> Happened) {
        if self.keep {
            self.entries.push(what());
        }
    }
}
