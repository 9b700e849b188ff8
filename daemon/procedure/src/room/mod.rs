//! The small traits through which a procedure knows the car and the people around it.
//!
//! Every call sends at most one request and returns when that request has its one ending.

pub mod remote;

use model::event::ReleaseCause;
use model::event::{NoteValue, Outcome, ReleaseProof};
use model::judgement::{Estimate, Finding};
use model::{
    ChannelId, Condition, Ending, Gate, Judgement, Moment, OutputId, Problem, Quantity, Sample, Span, StepId,
    TracePoint, Wanted,
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
    /// The hold under which the script works has ended and the run goes on: a script cannot catch it, the scope
    /// of the hold ends with it.
    HoldEnded(HoldEnd),
    /// The run cannot go on because something is broken: a reply that fits no question, a header that asks
    /// for what is not there. A script cannot catch it.
    Broken(Vec<Problem>),
}

/// How a hold ended under its script.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct HoldEnd {
    /// Which output.
    pub output: OutputId,
    /// Why.
    pub cause: ReleaseCause,
    /// More words on why.
    pub why: String,
    /// Which of the drop conditions came true, counted from 0.
    pub condition: Option<u32>,
}

/// A freeze frame.
#[derive(Debug, Clone, PartialEq)]
pub struct FreezeFrame {
    /// The code it was stored with; none where no frame is stored.
    pub code: Option<String>,
    /// Its values by name.
    pub values: Vec<(String, Quantity)>,
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
    /// Has these channels read no more.
    fn rest(&mut self, channels: &[ChannelId]) -> Result<(), Fail>;
    /// Waits for a gate.
    fn wait(&mut self, gate: &Gate) -> Result<Waited, Fail>;
    /// Averages a channel for a time.
    fn measure(&mut self, channel: &ChannelId, name: &str, over: Span) -> Result<Measured, Fail>;
    /// All usable readings of a channel over a time.
    fn trace(&mut self, channel: &ChannelId, name: &str, over: Span) -> Result<Vec<TracePoint>, Fail>;
    /// Seconds until a rising channel reaches a level, where its readings show such a rise.
    fn forecast(&mut self, channel: &ChannelId, level: &Quantity) -> Result<Option<Estimate>, Fail>;
    /// The newest reading no older than `within`, waiting that long for one.
    fn latest(&mut self, channel: &ChannelId, within: Span) -> Result<Option<Sample>, Fail>;
    /// Stops the run when one of the conditions comes true, until its end.
    fn guard(&mut self, conditions: &[Condition]) -> Result<(), Fail>;
    /// Stored trouble codes.
    fn codes(&mut self) -> Result<Vec<String>, Fail>;
    /// The freeze frame stored with a trouble code.
    fn freeze_frame(&mut self) -> Result<FreezeFrame, Fail>;
    /// The link may be down for this long from now on.
    fn bear_silence(&mut self, time: Span) -> Result<(), Fail>;
    /// Lets a time pass, counted aloud.
    fn pause(&mut self, words: &str, time: Span) -> Result<(), Fail>;
}

/// Outputs of the controller that can be held.
pub trait Outputs {
    /// Takes an output over; returns when the window of the hold is over. `goes_on`: an early end is told to the
    /// script ([`Fail::HoldEnded`]) instead of ending the run.
    fn engage(
        &mut self,
        output: &OutputId,
        value: &Quantity,
        at_most: Span,
        drop_if: &[Condition],
        goes_on: bool,
    ) -> Result<Moment, Fail>;
    /// How much of the window is left.
    fn left(&mut self, output: &OutputId) -> Result<Span, Fail>;
    /// Moves the end of the window outwards; a person must have agreed.
    fn extend(&mut self, output: &OutputId, by: Span) -> Result<Moment, Fail>;
    /// Gives it back; returns how that is known and how long it was held.
    fn release(&mut self, output: &OutputId) -> Result<(ReleaseProof, Span), Fail>;
}

/// The person at the car.
pub trait Operator {
    /// Shows the cautions.
    fn caution(&mut self, lines: &[String]) -> Result<(), Fail>;
    /// Asks for an act; the answer, or none within the limit.
    fn prompt(
        &mut self,
        act: &str,
        target: &str,
        words: &str,
        wanted: &Wanted,
        limit: Span,
    ) -> Result<Option<String>, Fail>;
    /// Shows what to do; the car will show whether it was done.
    fn instruct(&mut self, act: &str, target: &str, words: &str) -> Result<(), Fail>;
    /// Calls somebody who may have walked away.
    fn call(&mut self, text: &str) -> Result<(), Fail>;
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
    /// Records a judged result.
    fn result(&mut self, name: &str, finding: &Finding) -> Result<(), Fail>;
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
