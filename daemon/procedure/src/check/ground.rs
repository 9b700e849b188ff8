//! What a script is checked against: plain data of one car, and the names that finding rules ask for.

use std::collections::BTreeMap;

use model::{ChannelId, Span};

use crate::facts::Facts;

/// Everything that a script is checked against.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Ground {
    /// The name of the car, for messages.
    pub car: String,
    /// Channels, outputs and set-up values.
    pub facts: Facts,
    /// How each channel is read.
    pub readings: BTreeMap<ChannelId, ReadingFact>,
    /// The largest share of the line that a waiting gate's own channels get while others are wanted, 0 to 1.
    pub first_share: f64,
    /// What the finding rules of the procedure ask for, where it has any.
    pub rules: Option<RuleNames>,
}

/// How a channel is read.
#[derive(Debug, Clone, PartialEq)]
pub struct ReadingFact {
    /// Which exchange carries it: channels of one exchange share its time.
    pub request: usize,
    /// The shortest time from the beginning of that exchange to the beginning of the next one.
    pub exchange: Span,
    /// The time between two readings that the description wants.
    pub period: Span,
    /// Width of one count, in the channel's unit; 0 where there is none.
    pub resolution: f64,
    /// Standard deviation of one reading's noise, in the channel's unit.
    pub noise: f64,
    /// Standard uncertainty that all readings share, in the channel's unit.
    pub shared: f64,
}

/// The names that a file of finding rules asks for, each with its line.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct RuleNames {
    /// The file.
    pub file: String,
    /// Keys of notes.
    pub notes: Vec<(String, u32)>,
    /// Names of set-up values.
    pub setup: Vec<(String, u32)>,
}
