//! Gates as data: a condition on live channels that a step waits for.
//!
//! The data live among the shared words because commands and events carry them; what they mean is decided
//! in one place only, the judge in `signal`.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::{ChannelId, Quantity, Span};

/// How one channel is looked at.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Watch {
    /// The channel.
    pub channel: ChannelId,
    /// The length of the window of readings that is judged.
    pub over: Span,
    /// A newest reading older than this is stale.
    pub fresh: Span,
}

/// What must be so. Levels and bands carry their own units and are converted to the channel's.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(tag = "is", rename_all = "snake_case")]
pub enum Condition {
    /// The value is above the level.
    Above {
        /// The channel and its window.
        watch: Watch,
        /// The level.
        level: Quantity,
        /// Once reached, it holds until the value has fallen this far below the level.
        hysteresis: Option<Quantity>,
    },
    /// The value is below the level.
    Below {
        /// The channel and its window.
        watch: Watch,
        /// The level.
        level: Quantity,
        /// Once reached, it holds until the value has risen this far above the level.
        hysteresis: Option<Quantity>,
    },
    /// The value lies between two levels.
    Within {
        /// The channel and its window.
        watch: Watch,
        /// The lower edge.
        low: Quantity,
        /// The upper edge.
        high: Quantity,
        /// Once inside, both edges move outwards by this much.
        hysteresis: Option<Quantity>,
    },
    /// The channel has settled: its readings scatter as noise does, and it changes over the window by no more
    /// than the band. A band finer than one count of the channel is judged as one count.
    Steady {
        /// The channel and its window.
        watch: Watch,
        /// The widest change over the window that still counts as steady.
        band: Quantity,
    },
    /// The value rises by at least this much over the window.
    Rising {
        /// The channel and its window.
        watch: Watch,
        /// The rise over the window.
        by: Quantity,
    },
    /// The value falls by at least this much over the window.
    Falling {
        /// The channel and its window.
        watch: Watch,
        /// The fall over the window.
        by: Quantity,
    },
    /// The value has moved by at least this much, either way, since the gate was armed.
    Changed {
        /// The channel and its window.
        watch: Watch,
        /// The change.
        by: Quantity,
    },
    /// Every one of these.
    All {
        /// The conditions.
        of: Vec<Condition>,
    },
    /// At least one of these.
    Any {
        /// The conditions.
        of: Vec<Condition>,
    },
    /// Not this. What is unknown stays unknown.
    Not {
        /// The condition.
        of: Box<Condition>,
    },
}

impl Condition {
    /// Every watch in the condition, in the order written.
    pub fn watches(&self) -> Vec<&Watch> {
        let mut found = Vec::new();
        self.collect(&mut found);
        found
    }

    fn collect<'a>(&'a self, found: &mut Vec<&'a Watch>) {
        match self {
            Self::Above { watch, .. }
            | Self::Below { watch, .. }
            | Self::Within { watch, .. }
            | Self::Steady { watch, .. }
            | Self::Rising { watch, .. }
            | Self::Falling { watch, .. }
            | Self::Changed { watch, .. } => found.push(watch),
            Self::All { of } | Self::Any { of } => of.iter().for_each(|c| c.collect(found)),
            Self::Not { of } => of.collect(found),
        }
    }
}

/// Which word is enough to pass.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Demand {
    /// The estimate lies inside; its interval may straddle an edge. For windows a person must hit.
    Inside,
    /// The whole 95 % interval lies inside.
    Proven,
}

/// A condition with what makes it a gate: how sure, for how long, and how long to wait at the most.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Gate {
    /// What must be so.
    pub condition: Condition,
    /// How sure.
    pub demand: Demand,
    /// For how long without a break.
    pub dwell: Span,
    /// Unknown data for less than this pauses the dwell; for longer resets it.
    pub dropout: Span,
    /// When to give up.
    pub limit: Span,
}
