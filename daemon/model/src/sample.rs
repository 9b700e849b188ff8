//! One reading of one channel.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::{ChannelId, Moment, Span, Uncertainty};

/// Whether a reading can be used.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Quality {
    /// Nothing speaks against it.
    Good,
    /// Outside the range that the channel's description calls plausible.
    Implausible,
    /// At an end of the converter, so the true value may lie beyond.
    Saturated,
    /// The controller marked it as not available, or it is not a number.
    Invalid,
}

impl Quality {
    /// Whether a gate may count the reading.
    pub fn usable(self) -> bool {
        matches!(self, Self::Good)
    }
}

/// Why a channel that was asked for was not read.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum GapReason {
    /// The controller did not answer in time.
    NoAnswer,
    /// Its answer was damaged on the way, so nothing in it was believed.
    Damaged,
    /// It refused the request.
    Refused,
    /// There was no link.
    LinkDown,
    /// It was read, but what was read could not be recorded.
    Lost,
}

impl GapReason {
    /// Every reason there is.
    pub const ALL: [Self; 5] = [Self::NoAnswer, Self::Damaged, Self::Refused, Self::LinkDown, Self::Lost];
}

/// A stretch of time in which a channel that was asked for was not read. It is recorded as a row of its own,
/// so that nobody has to guess a gap from the distance of two readings.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct Gap {
    /// What was not read.
    pub channel: ChannelId,
    /// The middle of the stretch.
    pub at: Moment,
    /// Half of the stretch.
    pub half: Span,
    /// Why.
    pub why: GapReason,
}

/// One reading of one channel.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Sample {
    /// What was read.
    pub channel: ChannelId,
    /// The middle of the interval in which the controller must have read it.
    pub at: Moment,
    /// Half of that interval.
    pub time_uncertainty: Span,
    /// The count as it came over the wire.
    pub raw: i64,
    /// The value in the channel's unit: the middle of the count's interval.
    pub value: f64,
    /// What is not known about the value.
    pub uncertainty: Uncertainty,
    /// Whether it can be used.
    pub quality: Quality,
}
