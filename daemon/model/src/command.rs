//! Everything that can be asked of a station, in one vocabulary.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::event::{NoteValue, Outcome, ReleaseProof};
use crate::judgement::Estimate;
use crate::{
    ChannelId, Condition, Ending, Gate, Judgement, Moment, OutputId, Problem, Quantity, Sample, Span,
    StationId, StepId,
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
    },
    /// Give an output back.
    Release {
        /// Which.
        output: OutputId,
    },
    /// Read stored trouble codes.
    ReadCodes,
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
        /// How long to wait for the answer.
        limit: Span,
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
