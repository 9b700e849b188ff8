//! What a script may know about the car before it asks: plain data, taken from the description.

use std::collections::BTreeMap;

use model::event::NoteValue;
use model::{ChannelId, OutputId, Quantity, Span, Unit};

/// Everything that scripts are checked against without asking the car.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Facts {
    /// Channels with the unit of their values.
    pub channels: BTreeMap<ChannelId, Unit>,
    /// Outputs that can be held.
    pub outputs: BTreeMap<OutputId, OutputFact>,
    /// Set-up values by name.
    pub setup: BTreeMap<String, SetupFact>,
    /// Notes of a former run that is taken up again; empty for a fresh one.
    pub notes: BTreeMap<String, NoteValue>,
}

/// The limits of one output.
#[derive(Debug, Clone, PartialEq)]
pub struct OutputFact {
    /// Unit of its value.
    pub unit: Unit,
    /// The lowest value that may be held, in `unit`.
    pub low: f64,
    /// The highest value that may be held, in `unit`.
    pub high: f64,
    /// The longest hold that the description allows.
    pub longest: Span,
    /// Whether the controller answers readings while it is held.
    pub reads_while_held: bool,
}

/// One set-up value.
#[derive(Debug, Clone, PartialEq)]
pub enum SetupFact {
    /// A single value.
    Value(Quantity),
    /// A window to be hit.
    Window {
        /// Its lower edge.
        low: Quantity,
        /// Its upper edge.
        high: Quantity,
    },
}
