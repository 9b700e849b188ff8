//! What a run leaves behind.

use std::collections::BTreeMap;

use model::event::NoteValue;
use model::{ChannelId, Ending, OutputId, Place, Problem, StepId};

/// What a script says of itself in its first call, `procedure(...)`.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Header {
    /// Its name.
    pub name: String,
    /// Its title, for people.
    pub title: String,
    /// The channels it reads.
    pub channels: Vec<ChannelId>,
    /// The outputs it holds.
    pub outputs: Vec<OutputId>,
    /// The set-up values it uses.
    pub setup: Vec<String>,
    /// Channels that it reads where the car has them.
    pub may_channels: Vec<ChannelId>,
    /// Set-up values that it uses where the car has them.
    pub may_setup: Vec<String>,
}

/// How one step came out.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum StepHow {
    /// It ended.
    Ended(Ending),
    /// It was skipped, for this reason.
    Skipped(String),
}

/// One step of a run.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct StepRecord {
    /// Its name.
    pub step: StepId,
    /// Its title.
    pub title: String,
    /// How it came out.
    pub how: StepHow,
}

/// The end of a run.
#[derive(Debug, Clone, PartialEq)]
pub struct RunReport {
    /// How it ended.
    pub ending: Ending,
    /// Why, in one line of plain words; empty when it passed.
    pub why: String,
    /// Where in the script it ended, unless it came to its own end.
    pub place: Option<Place>,
    /// Everything that is wrong. Empty for a run that passed, was left undecided, or was stopped.
    pub problems: Vec<Problem>,
    /// The header, where the script got as far.
    pub header: Option<Header>,
    /// The steps, in the order in which they ended.
    pub steps: Vec<StepRecord>,
    /// What stands in the notebook at the end.
    pub notes: BTreeMap<String, NoteValue>,
}
