//! The small traits through which a procedure knows the car and the people around it.
//!
//! Every call sends at most one request and returns when that request has its one ending.

pub mod remote;

use model::event::{NoteValue, Outcome, ReleaseProof};
use model::judgement::Estimate;
use model::{
    ChannelId, Condition, Ending, Gate, Judgement, Moment, OutputId, Problem, Quantity, Sample, Span, StepId,
};

/// The run is over; a script cannot catch it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Halt {
    /// How it ends.
    pub ending: Ending,
    /// Why, in plain words.
    pub why: String,
}

/// Why a call did not do what it was asked.
#[derive(Debug, Clone, PartialEq)]
pub enum Fail {
    /// The other side has ended the run: nothing more will be done for it, and what it held is released there.
    Over(Halt),
    /// This side ends the run: a gate was not met, an operator did not answer.
    Halt(Halt),
    /// This one request cannot be done; nothing changed. A script may catch it.
    Refused(Problem),
    /// The run cannot go on because something is broken: a reply that fits no question, a header that asks
    /// for what is not there. A script cannot catch it.
    Broken(Vec<Problem>),
}

/// How a wait ended.
#[derive(Debug, Clone, PartialEq)]
pub struct Waited {
    /// How.
    pub outcome: Outcome,
    /// What the judge said last.
    pub judgement: Judgement,
}

/// A measurement.
#[derive(Debug, Clone, PartialEq)]
pub struct Measured {
    /// Mean with its interval, where there were enough readings.
    pub estimate: Option<Estimate>,
    /// How many readings.
    pub readings: u64,
    /// Readings per second.
    pub rate: f64,
}

/// Channels of the running car.
pub trait LiveValues {
    /// Has these channels read this often from now on.
    fn poll(&mut self, channels: &[ChannelId], period: Span) -> Result<(), Fail>;
    /// Waits for a gate.
    fn wait(&mut self, gate: &Gate) -> Result<Waited, Fail>;
    /// Averages a channel for a time.
    fn measure(&mut self, channel: &ChannelId, name: &str, over: Span) -> Result<Measured, Fail>;
    /// The newest reading no older than `within`, waiting that long for one.
    fn latest(&mut self, channel: &ChannelId, within: Span) -> Result<Option<Sample>, Fail>;
    /// Stops the run when one of the conditions comes true, until its end.
    fn guard(&mut self, conditions: &[Condition]) -> Result<(), Fail>;
    /// Stored trouble codes.
    fn codes(&mut self) -> Result<Vec<String>, Fail>;
}

/// Outputs of the controller that can be held.
pub trait Outputs {
    /// Takes an output over; returns when the window of the hold is over.
    fn engage(
        &mut self,
        output: &OutputId,
        value: &Quantity,
        at_most: Span,
        drop_if: &[Condition],
    ) -> Result<Moment, Fail>;
    /// Gives it back; returns how that is known and how long it was held.
    fn release(&mut self, output: &OutputId) -> Result<(ReleaseProof, Span), Fail>;
}

/// The person at the car.
pub trait Operator {
    /// Shows the cautions.
    fn caution(&mut self, lines: &[String]) -> Result<(), Fail>;
    /// Asks for an act; the answer, or none within the limit.
    fn prompt(&mut self, act: &str, target: &str, words: &str, limit: Span) -> Result<Option<String>, Fail>;
    /// Shows and records a line.
    fn remark(&mut self, text: &str) -> Result<(), Fail>;
}

/// What one step hands to a later one.
pub trait Notebook {
    /// Writes a value down.
    fn put(&mut self, key: &str, value: NoteValue) -> Result<(), Fail>;
    /// A value written down in this run or in the one that it takes up again.
    fn get(&self, key: &str) -> Option<&NoteValue>;
    /// The keys that have a value.
    fn keys(&self) -> Vec<&str>;
}

/// The steps of the run.
pub trait Steps {
    /// A step begins.
    fn begin(&mut self, step: &StepId, title: &str) -> Result<(), Fail>;
    /// A step ends.
    fn end(&mut self, step: &StepId, ending: Ending) -> Result<(), Fail>;
    /// A step is skipped.
    fn skip(&mut self, step: &StepId, reason: &str) -> Result<(), Fail>;
}

/// All of them: what a run stands in.
pub trait Room: LiveValues + Outputs + Operator + Notebook + Steps {}

impl<T: LiveValues + Outputs + Operator + Notebook + Steps> Room for T {}
