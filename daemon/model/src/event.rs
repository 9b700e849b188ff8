//! Everything that happens, in one vocabulary: for the command line, the journal, replay, the report and
//! the API.

use std::collections::BTreeMap;

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::judgement::{Estimate, Finding};
use crate::{
    Cause, ChannelId, Condition, Ending, Gate, Judgement, Moment, OutputId, Problem, Quantity, SessionId,
    Span, StationId, StepId, Word,
};

/// An event with its place in the order of events.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct EventEnvelope {
    /// Version of the vocabulary ([`crate::SCHEMA_VERSION`]).
    pub schema: u16,
    /// Counts from 1 within a session, without gaps.
    pub seq: u64,
    /// The station it happened at.
    pub station: StationId,
    /// The session it belongs to.
    pub session: SessionId,
    /// When.
    pub at: Moment,
    /// What.
    pub event: Event,
}

/// How a wait ended.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Outcome {
    /// What was waited for is so.
    Met,
    /// The limit came first, and the data said no.
    TimedOut,
    /// The limit came first, and the data could not say.
    Unknown,
    /// Somebody or a guard stopped it.
    Cancelled,
    /// The link was lost.
    Fault,
}

/// How it is known that a held output is back.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum ReleaseProof {
    /// The controller answered the release and a channel shows the effect.
    ControllerAndEffect,
    /// The controller answered the release; the description names no channel that shows it.
    Controller,
    /// A channel shows the effect; this controller does not answer the release.
    Effect,
    /// No answer, but the controller's own timeout has passed without a word from this side.
    ControllerTimeout,
    /// None of these. The words then are "key off".
    None,
}

/// Why a held output is released.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum ReleaseCause {
    /// The script left the scope of the hold.
    ScopeLeft,
    /// The window of the hold is over.
    WindowOver,
    /// A drop condition came true, or could not be judged for too long.
    DropCondition,
    /// Somebody stopped the run.
    Stop,
    /// The script ended, failed, or went away.
    ScriptGone,
    /// The link was lost.
    LinkLost,
    /// The computer slept: nobody knows what happened meanwhile.
    ComputerSlept,
    /// The controller refused the hold or its refresh.
    Refused,
    /// A former run left it held.
    FormerRun,
}

/// An output that may be taken over, and how far.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct ConsentedOutput {
    /// Which output.
    pub output: OutputId,
    /// The lowest value that it may be held at.
    pub low: Quantity,
    /// The highest.
    pub high: Quantity,
    /// The longest time that one hold may last.
    pub longest: Span,
}

/// How a time is spread over many occasions.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct Spread {
    /// How many occasions.
    pub count: u64,
    /// Half of them took no longer.
    pub median: Span,
    /// 99 in 100 took no longer.
    pub p99: Span,
    /// None took longer.
    pub worst: Span,
}

/// Why minutes of a rolling record are kept.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct Trigger {
    /// When it happened.
    pub at: Moment,
    /// What happened.
    pub why: String,
}

/// What can go wrong with one exchange.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum WireFault {
    /// No answer in time.
    NoAnswer,
    /// The answer broke off.
    Incomplete,
    /// The checksum is wrong.
    Checksum,
    /// What came is not a message of the protocol.
    Malformed,
    /// What was sent did not come back as it was sent.
    Echo,
    /// The answer is to another question or from another controller.
    Stranger,
}

/// Something that happened.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(tag = "kind", rename_all = "snake_case")]
pub enum Event {
    /// A session began.
    SessionStarted {
        /// Name of the procedure, where there is one.
        procedure: Option<String>,
        /// Name of the car's description.
        car: String,
        /// SHA-256 of the description, in hex.
        description_sha256: String,
        /// SHA-256 of the script, in hex.
        script_sha256: Option<String>,
        /// Version of this program.
        program: String,
        /// Tags given by the user.
        tags: BTreeMap<String, String>,
    },
    /// Ties the monotonic clock to UTC.
    Anchor {
        /// UTC at the event's moment, in nanoseconds since 1970-01-01T00:00:00Z.
        utc_nanos: i64,
        /// Half of the interval in which the two clocks were read.
        uncertainty: Span,
        /// Where UTC came from: `system`, `rehearsal`.
        source: String,
    },
    /// The link to the controller is up.
    LinkUp {
        /// The dialect spoken.
        dialect: String,
        /// What the controller said of itself at wake-up.
        detail: String,
    },
    /// The link to the controller is down.
    LinkDown {
        /// Why.
        why: String,
    },
    /// An exchange failed.
    WireFaulted {
        /// How.
        fault: WireFault,
        /// What was asked, in hex.
        request: String,
        /// Which try it was, from 1.
        attempt: u8,
    },
    /// The controller refused a request.
    Refused {
        /// What was asked, in hex.
        request: String,
        /// The negative response code.
        code: u8,
        /// The code in words.
        words: String,
    },
    /// A step began.
    StepStarted {
        /// Which.
        step: StepId,
        /// Its title.
        title: String,
    },
    /// A step was skipped.
    StepSkipped {
        /// Which.
        step: StepId,
        /// Why.
        reason: String,
    },
    /// A step ended.
    StepEnded {
        /// Which.
        step: StepId,
        /// How.
        ending: Ending,
    },
    /// A gate began to wait.
    GateArmed {
        /// The gate.
        gate: Gate,
    },
    /// The word of a waiting gate changed.
    GateJudged {
        /// What the judge says now.
        judgement: Judgement,
    },
    /// A gate's wait ended.
    GateEnded {
        /// How.
        outcome: Outcome,
        /// What the judge said last.
        judgement: Judgement,
    },
    /// An output is about to be held; written and synced before the request leaves.
    HoldIntended {
        /// Which output.
        output: OutputId,
        /// At what value.
        value: Quantity,
        /// The longest time from the request to the release.
        at_most: Span,
        /// Conditions under which it drops at once.
        drop_if: Vec<Condition>,
    },
    /// The controller confirmed the hold.
    HoldEngaged {
        /// Which output.
        output: OutputId,
        /// When the window is over.
        until: Moment,
    },
    /// A release begins.
    HoldReleasing {
        /// Which output.
        output: OutputId,
        /// Why.
        cause: ReleaseCause,
        /// More words on why.
        detail: String,
    },
    /// A person had the window of a hold moved outwards.
    HoldExtended {
        /// Which output.
        output: OutputId,
        /// When the window is over now.
        until: Moment,
    },
    /// A held output is back, or as much as can be known of it.
    HoldReleased {
        /// Which output.
        output: OutputId,
        /// How it is known.
        proof: ReleaseProof,
        /// From the first byte of the hold to the end of the release.
        held: Span,
    },
    /// The cautions were shown.
    CautionsShown {
        /// Their lines.
        lines: Vec<String>,
    },
    /// A person was asked.
    Prompted {
        /// What to do.
        act: String,
        /// What it is done to, and the target.
        target: String,
        /// The words shown.
        words: String,
        /// What answer is wanted.
        #[serde(default)]
        wanted: crate::command::Wanted,
    },
    /// A person was shown what to do; the car confirms it.
    Instructed {
        /// What to do.
        act: String,
        /// What it is done to.
        target: String,
        /// The words shown.
        words: String,
    },
    /// A person who may have walked away was called.
    Called {
        /// What was called.
        text: String,
    },
    /// A counted time began.
    Paused {
        /// What it is for.
        words: String,
        /// How long it lasts.
        time: Span,
    },
    /// From here on the link may be down for a time without being lost, as with the key off.
    SilenceBorne {
        /// How long.
        time: Span,
    },
    /// A person answered.
    Answered {
        /// The answer.
        answer: String,
    },
    /// A value for later steps was written down.
    Noted {
        /// Its key.
        key: String,
        /// Its value.
        value: NoteValue,
    },
    /// A measurement over a time.
    Measured {
        /// The channel.
        channel: ChannelId,
        /// Name given by the script.
        name: String,
        /// Mean with its interval, where there were enough readings.
        estimate: Option<Estimate>,
        /// How many readings.
        readings: u64,
        /// Readings per second.
        rate: f64,
        /// The stretch of time averaged, up to this event.
        #[serde(default)]
        over: Span,
        /// Whether the readings show enough noise to average their rounding out.
        #[serde(default)]
        dithered: bool,
    },
    /// A channel's course was taken over a time; its readings are among the samples.
    Traced {
        /// The channel.
        channel: ChannelId,
        /// Name given by the script.
        name: String,
        /// How many readings.
        readings: u64,
        /// The stretch of time, up to this event.
        over: Span,
    },
    /// A freeze frame read from the controller.
    FreezeFrameRead {
        /// The code it was stored with; none where no frame is stored.
        code: Option<String>,
        /// Its values by name.
        values: Vec<(String, Quantity)>,
    },
    /// A judged result of the procedure.
    Result {
        /// Its name.
        name: String,
        /// What was judged.
        finding: Finding,
    },
    /// What the data point to, most likely first.
    Causes {
        /// The causes that were considered.
        causes: Vec<Cause>,
    },
    /// Trouble codes read from the controller.
    CodesRead {
        /// The codes.
        codes: Vec<String>,
    },
    /// A line from the script or an operator.
    Remark {
        /// The text.
        text: String,
    },
    /// A person marked this moment.
    Marked {
        /// Their words; none where they only marked it.
        words: String,
        /// `typed`, `signal`, or `foretold` in a rehearsal.
        how: String,
    },
    /// A person measured something with an instrument of their own.
    MeasuredByHand {
        /// What they call it.
        name: String,
        /// What the instrument showed.
        value: Quantity,
        /// Half of the 95 % interval around it, in the unit of the value, where they know it.
        #[serde(default)]
        expanded: Option<f64>,
        /// The instrument, in their words.
        #[serde(default)]
        instrument: Option<String>,
    },
    /// From here on a capture keeps what is read.
    CaptureBegun {
        /// Why.
        why: String,
    },
    /// A capture keeps nothing more in this session.
    CaptureEnded {
        /// Why.
        why: String,
    },
    /// What this session holds was kept out of a rolling record, around these moments.
    KeptAround {
        /// The moments, with what happened at each.
        triggers: Vec<Trigger>,
        /// The time before the first of them that was asked for.
        before_asked: Span,
        /// The time before it that there really was.
        before: Span,
        /// The time after the last of them that was asked for.
        after_asked: Span,
        /// The time after it that there really is.
        after: Span,
    },
    /// A guard tripped.
    GuardTripped {
        /// Its condition.
        condition: Condition,
        /// What the judge said.
        word: Word,
    },
    /// Something is wrong.
    Problem {
        /// What.
        problem: Problem,
    },
    /// Records were lost between driver and recorder.
    RecordsLost {
        /// How many.
        count: u64,
    },
    /// A person agreed that outputs may be taken over.
    Consented {
        /// Which, and how far.
        outputs: Vec<ConsentedOutput>,
        /// `typed` after it was read, or `named beforehand` on the command line.
        how: String,
    },
    /// The computer slept, and has woken.
    ComputerSlept {
        /// For how long.
        time: Span,
    },
    /// How long exchanges took, and how late this side spoke.
    WireTimes {
        /// From the first character of a request to the last of its answer.
        exchange: Spread,
        /// From the moment at which a request was due to the moment at which its first character was handed over.
        request_late: Spread,
        /// The same for every later character of a request.
        character_late: Spread,
    },
    /// Counters of the link at its end.
    WireTally {
        /// Exchanges answered.
        exchanges: u64,
        /// Failures by kind.
        faults: BTreeMap<WireFault, u64>,
        /// Times the controller was woken.
        wakeups: u64,
    },
    /// The session ended.
    SessionEnded {
        /// How.
        ending: Ending,
    },
}

/// A typed value of the notebook.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(tag = "type", content = "value", rename_all = "snake_case")]
pub enum NoteValue {
    /// A number with its unit.
    Quantity(Quantity),
    /// A number with its interval.
    Estimate(Estimate),
    /// A text.
    Text(String),
    /// Yes or no.
    Flag(bool),
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_event_survives_json_and_names_its_kind() {
        let envelope = EventEnvelope {
            schema: crate::SCHEMA_VERSION,
            seq: 7,
            station: StationId::new("bench").unwrap(),
            session: SessionId::new("s1").unwrap(),
            at: Moment(5),
            event: Event::WireTally {
                exchanges: 3,
                faults: BTreeMap::from([(WireFault::Checksum, 2)]),
                wakeups: 1,
            },
        };
        let text = serde_json::to_string(&envelope).unwrap();
        assert!(text.contains("\"kind\":\"wire_tally\"") && text.contains("\"checksum\":2"), "{text}");
        assert_eq!(serde_json::from_str::<EventEnvelope>(&text).unwrap(), envelope);
    }
}
