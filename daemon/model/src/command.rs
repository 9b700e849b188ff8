//! Everything that can be asked of a station, in one vocabulary.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::event::ReleaseCause;
use crate::event::{NoteValue, Outcome, ReleaseProof};
use crate::judgement::{Estimate, Finding};
use crate::{
    ChannelId, Condition, Ending, Gate, Judgement, Moment, OutputId, Problem, Quantity, Sample, Span,
    StationId, StepId, Unit,
};

/// A command with its place in the order of commands.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct CommandEnvelope {
    /// Version of the vocabulary ([`crate::SCHEMA_VERSION`]).
    pub schema: u16,
    /// Counts from 1 within one source of commands.
    pub seq: u64,
    /// The station it is for.
    pub station: StationId,
    /// What is asked.
    pub command: Command,
}

/// What kind of answer a prompt wants.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize, JsonSchema)]
#[serde(tag = "is", rename_all = "snake_case")]
pub enum Wanted {
    /// That it is done.
    #[default]
    Done,
    /// One of these words.
    Choice {
        /// The words, the usual one first.
        options: Vec<String>,
    },
    /// A number, without its unit.
    Number {
        /// The unit it is read in.
        unit: Unit,
        /// The smallest that makes sense.
        low: f64,
        /// The largest that makes sense.
        high: f64,
    },
    /// Words of the person's own.
    Text,
}

/// One reading of a trace.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct TracePoint {
    /// When it was read.
    pub at: Moment,
    /// The reading, in the channel's unit.
    pub value: f64,
}

/// Something asked of a station. Each is answered by exactly one ending.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(tag = "ask", rename_all = "snake_case")]
pub enum Command {
    /// Read these channels this often; a longer span than the link can serve is stretched in proportion.
    Poll {
        /// The channels.
        channels: Vec<ChannelId>,
        /// The wanted time between two readings.
        period: Span,
    },
    /// Go on reading what is wanted until the run is over; the reply then says so.
    KeepReading,
    /// Read these channels no more, unless a gate, a guard or a measurement asks for them again.
    Rest {
        /// The channels.
        channels: Vec<ChannelId>,
    },
    /// Wait for a gate.
    Wait {
        /// The gate.
        gate: Gate,
    },
    /// Collect readings of a channel for a time and give their mean with its interval.
    Measure {
        /// The channel.
        channel: ChannelId,
        /// Name under which it is recorded.
        name: String,
        /// For how long.
        over: Span,
    },
    /// Collect the readings of a channel for a time and give them all, for a look at their course.
    Trace {
        /// The channel.
        channel: ChannelId,
        /// Name under which it is recorded.
        name: String,
        /// For how long.
        over: Span,
    },
    /// Say when a rising channel will reach a level, from a first-order rise fitted to its last minutes.
    Forecast {
        /// The channel.
        channel: ChannelId,
        /// The level.
        level: Quantity,
    },
    /// Give the newest reading of a channel, waiting for the first one at most this long.
    Latest {
        /// The channel.
        channel: ChannelId,
        /// How old it may be, and how long to wait for it.
        within: Span,
    },
    /// Take over an output. A second hold of a held output is refused.
    Engage {
        /// Which.
        output: OutputId,
        /// At what value.
        value: Quantity,
        /// The longest time from the request to the release.
        at_most: Span,
        /// Conditions under which it drops at once.
        drop_if: Vec<Condition>,
        /// When a drop condition, the window's end or the controller's refusal of a refresh takes it back, the
        /// script is told and the run goes on; otherwise it ends.
        #[serde(default)]
        goes_on: bool,
    },
    /// Say how much of a hold's window is left.
    HoldLeft {
        /// Which output.
        output: OutputId,
    },
    /// Move the end of a hold's window outwards, because a person said so. Never beyond what the description
    /// allows, counted from the beginning of the hold.
    Extend {
        /// Which output.
        output: OutputId,
        /// By how much.
        by: Span,
    },
    /// Give an output back.
    Release {
        /// Which.
        output: OutputId,
    },
    /// Let a time pass, counted aloud.
    Pause {
        /// What it is for.
        words: String,
        /// How long.
        time: Span,
    },
    /// The link may be down from now on for this long, as with the key off: that is no lost link. The leave ends
    /// when the link comes back.
    BearSilence {
        /// How long.
        time: Span,
    },
    /// Read stored trouble codes.
    ReadCodes,
    /// Read the freeze frame that was stored with a trouble code (SAE J1979, service 02).
    ReadFreezeFrame,
    /// Watch conditions until told otherwise; the first that comes true stops the run.
    Guard {
        /// The conditions.
        conditions: Vec<Condition>,
    },
    /// Record that a step begins.
    BeginStep {
        /// Which.
        step: StepId,
        /// Its title.
        title: String,
    },
    /// Record that a step ended.
    EndStep {
        /// Which.
        step: StepId,
        /// How.
        ending: Ending,
    },
    /// Record that a step is skipped.
    SkipStep {
        /// Which.
        step: StepId,
        /// Why.
        reason: String,
    },
    /// Show cautions.
    Caution {
        /// Their lines.
        lines: Vec<String>,
    },
    /// Ask a person to do something and to say when it is done.
    Prompt {
        /// What to do: a word that simulated hands, a page and a voice can serve.
        act: String,
        /// What it is done to, and the target.
        target: String,
        /// The words to show.
        words: String,
        /// What answer is wanted.
        #[serde(default)]
        wanted: Wanted,
        /// How long to wait for the answer.
        limit: Span,
    },
    /// Show a person what to do without waiting for an answer: the car confirms it.
    Instruct {
        /// What to do.
        act: String,
        /// What it is done to.
        target: String,
        /// The words to show.
        words: String,
    },
    /// Call a person who may have walked away.
    Call {
        /// What to call.
        text: String,
    },
    /// Record a judged result.
    Result {
        /// Its name.
        name: String,
        /// What was judged.
        finding: Finding,
    },
    /// Write a value down for later steps.
    Note {
        /// Its key.
        key: String,
        /// Its value.
        value: NoteValue,
    },
    /// Record a line.
    Remark {
        /// The text.
        text: String,
    },
    /// Stop: release everything, then end. Allowed to anybody, at any time.
    Stop {
        /// Who asks.
        by: String,
    },
}

/// What comes back for a command: exactly one for each.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(tag = "reply", rename_all = "snake_case")]
pub enum Reply {
    /// It is done.
    Done,
    /// It cannot be done; nothing changed.
    Refused {
        /// Why.
        problem: Problem,
    },
    /// A wait ended.
    Waited {
        /// How.
        outcome: Outcome,
        /// What the judge said last.
        judgement: Judgement,
    },
    /// A measurement is complete.
    Measured {
        /// Mean with its interval, where there were enough readings.
        estimate: Option<Estimate>,
        /// How many readings.
        readings: u64,
        /// Readings per second.
        rate: f64,
    },
    /// A trace is complete.
    Traced {
        /// The usable readings in their order.
        readings: Vec<TracePoint>,
    },
    /// When a level will be reached.
    Forecast {
        /// Seconds from now with their interval; none where the readings show no such rise.
        time: Option<Estimate>,
    },
    /// The newest reading, where there is one young enough.
    Latest {
        /// The reading.
        sample: Option<Sample>,
    },
    /// The output is held.
    Engaged {
        /// When the window is over.
        until: Moment,
    },
    /// The output is back, or as much as can be known of it.
    Released {
        /// How it is known.
        proof: ReleaseProof,
        /// How long it was held.
        held: Span,
    },
    /// The hold under which the script was working has ended: it was taken back, or its window was over. Only
    /// its release can be asked for now.
    HoldEnded {
        /// Which output.
        output: OutputId,
        /// Why.
        cause: ReleaseCause,
        /// More words on why.
        why: String,
        /// Which of its drop conditions came true, counted from 0; none where none did, or where one could not be
        /// judged.
        condition: Option<u32>,
    },
    /// How much of a hold's window is left.
    HoldLeft {
        /// How much.
        left: Span,
    },
    /// The freeze frame.
    FreezeFrame {
        /// The code it was stored with; none where no frame is stored.
        code: Option<String>,
        /// Its values by name.
        values: Vec<(String, Quantity)>,
    },
    /// Trouble codes.
    Codes {
        /// The codes.
        codes: Vec<String>,
    },
    /// A person's answer, or none within the limit.
    Answered {
        /// The answer.
        answer: Option<String>,
    },
    /// The run is over: nothing more will be done for it.
    Over {
        /// How it ends.
        ending: Ending,
        /// Why, in words.
        why: String,
    },
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_command_survives_json() {
        let command = Command::Release { output: OutputId::new("idle_valve").unwrap() };
        let text = serde_json::to_string(&command).unwrap();
        assert_eq!(text, r#"{"ask":"release","output":"idle_valve"}"#);
        assert_eq!(serde_json::from_str::<Command>(&text).unwrap(), command);
    }
}
