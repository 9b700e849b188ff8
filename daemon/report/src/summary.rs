//! A session in short, from its events and samples.

use model::event::{Outcome, ReleaseCause, ReleaseProof};
use model::judgement::Finding;
use model::{
    Cause, ChannelId, Condition, Ending, Estimate, Event, Gate, Judgement, Moment, OutputId, Place, Problem,
    ProblemKind, Quantity, SessionId, Span, StepId,
};
use record::{Cut, Session};
use serde::{Deserialize, Serialize};

use crate::channels::{ChannelSummary, channels};
use crate::said::{Saying, said};

/// A session in short.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Summary {
    /// The session.
    pub session: SessionId,
    /// Name of the car.
    pub car: String,
    /// Name of the procedure, where there is one.
    pub procedure: Option<String>,
    /// When it began: UTC in ns since 1970-01-01T00:00:00Z.
    pub started_utc_nanos: i64,
    /// From its first to its last record.
    pub lasted: Span,
    /// How it ended; absent when a crash ended it.
    pub ending: Option<Ending>,
    /// Whether it was closed after a crash.
    pub recovered: bool,
    /// What of its journal could not be used.
    pub cut: Option<Cut>,
    /// The steps in their order.
    pub steps: Vec<StepSummary>,
    /// The gates in their order.
    pub gates: Vec<GateSummary>,
    /// The holds in their order.
    pub holds: Vec<HoldSummary>,
    /// The measurements in their order.
    pub measurements: Vec<MeasurementSummary>,
    /// The judged results, by name, in their order.
    pub results: Vec<(String, Finding)>,
    /// Marks, measurements by hand, and what a capture did of itself, in their order.
    #[serde(default)]
    pub sayings: Vec<Saying>,
    /// The times in which the link was down.
    #[serde(default)]
    pub gaps: Vec<GapSummary>,
    /// What the data point to, most likely first, as it was judged last.
    pub causes: Vec<Cause>,
    /// Trouble codes, each time they were read.
    pub codes: Vec<Vec<String>>,
    /// What went wrong, in its order; lost records and tripped guards are among them.
    pub problems: Vec<Problem>,
    /// The channels by id.
    pub channels: Vec<ChannelSummary>,
}

/// How a step ended.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(tag = "end", rename_all = "snake_case")]
pub enum StepEnd {
    /// It ended.
    Ended {
        /// How.
        ending: Ending,
        /// From its start.
        took: Span,
    },
    /// It was skipped.
    Skipped {
        /// Why.
        reason: String,
    },
    /// The record ends within it.
    Open,
}

/// One step.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct StepSummary {
    /// Which.
    pub step: StepId,
    /// Its title; empty for a skipped step.
    pub title: String,
    /// How it ended.
    pub end: StepEnd,
}

/// One wait for a gate.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct GateSummary {
    /// The step it belongs to.
    pub step: Option<StepId>,
    /// What was waited for.
    pub gate: Gate,
    /// How the wait ended; absent when the record ends within it.
    pub outcome: Option<Outcome>,
    /// From its start to its end, or to the last judgement.
    pub waited: Span,
    /// What the judge said last.
    pub last: Option<Judgement>,
}

impl GateSummary {
    /// The channels it watches, each once.
    pub fn channels(&self) -> Vec<ChannelId> {
        watched(&self.gate.condition)
    }
}

/// One hold of an output.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct HoldSummary {
    /// Which output.
    pub output: OutputId,
    /// At what value; absent when a former run had left it held.
    pub value: Option<Quantity>,
    /// The longest time it might be held.
    pub at_most: Option<Span>,
    /// Whether the controller confirmed it.
    pub engaged: bool,
    /// Why it was released; absent when the record has no release.
    pub cause: Option<ReleaseCause>,
    /// More words on why.
    pub detail: String,
    /// How it is known to be back; absent when the record has no release.
    pub proof: Option<ReleaseProof>,
    /// How long it was held.
    pub held: Option<Span>,
}

/// A time in which the link was down and nothing was read.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct GapSummary {
    /// When it began.
    pub at: Moment,
    /// How long it lasted; absent when the link did not come back.
    pub lasted: Option<Span>,
    /// Why.
    pub why: String,
}

/// One measurement.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct MeasurementSummary {
    /// Its name.
    pub name: String,
    /// The channel.
    pub channel: ChannelId,
    /// Mean with its 95 % interval, where there were enough readings.
    pub estimate: Option<Estimate>,
    /// How many readings.
    pub readings: u64,
    /// Readings per second.
    pub rate: f64,
}

/// Sums a session up. Fails only when its samples cannot be read.
pub fn summarise(session: &Session) -> Result<Summary, Problem> {
    let card = &session.card;
    let lasted = card.last.zip(card.first).map_or(Span::ZERO, |(last, first)| last.since(first));
    let mut teller = Teller {
        summary: Summary {
            session: card.head.session.clone(),
            car: card.head.car.clone(),
            procedure: card.head.procedure.clone(),
            started_utc_nanos: card.head.utc_nanos,
            lasted,
            ending: card.ending,
            recovered: card.recovered,
            cut: card.cut.clone(),
            steps: Vec::new(),
            gates: Vec::new(),
            holds: Vec::new(),
            measurements: Vec::new(),
            results: Vec::new(),
            sayings: Vec::new(),
            gaps: Vec::new(),
            causes: Vec::new(),
            codes: Vec::new(),
            problems: Vec::new(),
            channels: channels(session)?,
        },
        step: None,
        gate: None,
    };
    for event in &session.events {
        teller.tell(event.at, &event.event);
    }
    Ok(teller.summary)
}

/// A summary in the making, with what is under way.
struct Teller {
    summary: Summary,
    step: Option<(StepId, Moment)>,
    gate: Option<Moment>,
}

impl Teller {
    fn tell(&mut self, at: Moment, event: &Event) {
        match event {
            Event::StepStarted { .. } | Event::StepSkipped { .. } | Event::StepEnded { .. } => {
                self.step(at, event);
            }
            Event::GateArmed { .. } | Event::GateJudged { .. } | Event::GateEnded { .. } => {
                self.gate(at, event);
            }
            Event::HoldIntended { .. }
            | Event::HoldEngaged { .. }
            | Event::HoldReleasing { .. }
            | Event::HoldReleased { .. } => self.hold(event),
            Event::Measured { channel, name, estimate, readings, rate, .. } => {
                self.summary.measurements.push(MeasurementSummary {
                    name: name.clone(),
                    channel: channel.clone(),
                    estimate: estimate.clone(),
                    readings: *readings,
                    rate: *rate,
                });
            }
            Event::Result { name, finding } => self.summary.results.push((name.clone(), finding.clone())),
            // A later judgement had more to go on than the ones before it.
            Event::Causes { causes } => self.summary.causes.clone_from(causes),
            Event::CodesRead { codes } => self.summary.codes.push(codes.clone()),
            Event::Problem { problem } => self.summary.problems.push(problem.clone()),
            Event::RecordsLost { count } => {
                let seen = format!("{count} records were lost between driver and recorder");
                let cure = "close other programs, or read fewer channels";
                self.summary.problems.push(Problem::new(ProblemKind::Record, Place::Program, seen, cure));
            }
            Event::GuardTripped { condition, word } => {
                let channels: Vec<String> = watched(condition).iter().map(ToString::to_string).collect();
                let seen = format!("a guard on {} stopped the run: {word}", channels.join(", "));
                self.summary.problems.push(Problem::new(ProblemKind::Stop, Place::Program, seen, ""));
            }
            Event::LinkDown { why } => {
                self.summary.gaps.push(GapSummary { at, lasted: None, why: why.clone() });
            }
            Event::LinkUp { .. } => {
                if let Some(gap) = self.summary.gaps.last_mut() {
                    gap.lasted.get_or_insert(at.since(gap.at));
                }
            }
            Event::Marked { .. }
            | Event::MeasuredByHand { .. }
            | Event::CaptureBegun { .. }
            | Event::CaptureEnded { .. }
            | Event::KeptAround { .. } => {
                self.summary.sayings.extend(said(event).map(|words| Saying { at, words }));
            }
            Event::SessionStarted { .. }
            | Event::Anchor { .. }
            | Event::Consented { .. }
            | Event::ComputerSlept { .. }
            | Event::WireTimes { .. }
            | Event::WireFaulted { .. }
            | Event::Refused { .. }
            | Event::CautionsShown { .. }
            | Event::Prompted { .. }
            | Event::Answered { .. }
            | Event::Noted { .. }
            | Event::Remark { .. }
            | Event::Instructed { .. }
            | Event::Called { .. }
            | Event::Paused { .. }
            | Event::SilenceBorne { .. }
            | Event::HoldExtended { .. }
            | Event::Traced { .. }
            | Event::FreezeFrameRead { .. }
            | Event::WireTally { .. }
            | Event::SessionEnded { .. } => {}
        }
    }

    fn step(&mut self, at: Moment, event: &Event) {
        let steps = &mut self.summary.steps;
        match event {
            Event::StepStarted { step, title } => {
                self.step = Some((step.clone(), at));
                steps.push(StepSummary { step: step.clone(), title: title.clone(), end: StepEnd::Open });
            }
            Event::StepSkipped { step, reason } => {
                let end = StepEnd::Skipped { reason: reason.clone() };
                steps.push(StepSummary { step: step.clone(), title: String::new(), end });
            }
            Event::StepEnded { step, ending } => {
                let began = self.step.take_if(|(running, _)| running == step).map_or(at, |(_, began)| began);
                let open = steps.iter_mut().rev().find(|s| s.step == *step && s.end == StepEnd::Open);
                if let Some(open) = open {
                    open.end = StepEnd::Ended { ending: *ending, took: at.since(began) };
                }
            }
            _ => {}
        }
    }

    fn gate(&mut self, at: Moment, event: &Event) {
        if let Event::GateArmed { gate } = event {
            self.gate = Some(at);
            self.summary.gates.push(GateSummary {
                step: self.step.as_ref().map(|(step, _)| step.clone()),
                gate: gate.clone(),
                outcome: None,
                waited: Span::ZERO,
                last: None,
            });
            return;
        }
        let (Some(armed), Some(gate)) = (self.gate, self.summary.gates.last_mut()) else { return };
        gate.waited = at.since(armed);
        match event {
            Event::GateJudged { judgement } => gate.last = Some(judgement.clone()),
            Event::GateEnded { outcome, judgement } => {
                gate.outcome = Some(*outcome);
                gate.last = Some(judgement.clone());
                self.gate = None;
            }
            _ => {}
        }
    }

    fn hold(&mut self, event: &Event) {
        match event {
            Event::HoldIntended { output, value, at_most, .. } => {
                let fresh =
                    HoldSummary { value: Some(value.clone()), at_most: Some(*at_most), ..nothing_of(output) };
                self.summary.holds.push(fresh);
            }
            Event::HoldEngaged { output, .. } => self.held(output).engaged = true,
            Event::HoldReleasing { output, cause, detail } => {
                let hold = self.held(output);
                hold.cause = Some(*cause);
                hold.detail.clone_from(detail);
            }
            Event::HoldReleased { output, proof, held } => {
                let hold = self.held(output);
                hold.proof = Some(*proof);
                hold.held = Some(*held);
            }
            _ => {}
        }
    }

    /// The hold of this output that is under way. One that a former run left has no beginning in this record.
    fn held(&mut self, output: &OutputId) -> &mut HoldSummary {
        let holds = &mut self.summary.holds;
        let open = holds.iter().rposition(|h| h.output == *output && h.proof.is_none());
        let at = open.unwrap_or_else(|| {
            holds.push(nothing_of(output));
            holds.len() - 1
        });
        &mut holds[at]
    }
}

fn nothing_of(output: &OutputId) -> HoldSummary {
    HoldSummary {
        output: output.clone(),
        value: None,
        at_most: None,
        engaged: false,
        cause: None,
        detail: String::new(),
        proof: None,
        held: None,
    }
}

fn watched(condition: &Condition) -> Vec<ChannelId> {
    let mut channels: Vec<ChannelId> = condition.watches().into_iter().map(|w| w.channel.clone()).collect();
    channels.sort();
    channels.dedup();
    channels
}

#[cfg(test)]
mod tests {
    use model::event::ReleaseCause;

    use super::*;
    use crate::testing::{Recording, full_session};

    #[test]
    fn a_full_session_in_plain_words() {
        insta::assert_snapshot!(summarise(&full_session()).unwrap());
    }

    #[test]
    fn a_summary_survives_json() {
        let summary = summarise(&full_session()).unwrap();
        let text = serde_json::to_string(&summary).unwrap();
        assert_eq!(serde_json::from_str::<Summary>(&text).unwrap(), summary);
    }

    #[test]
    fn what_the_record_breaks_off_in_is_told_as_open() {
        let mut recording = Recording::new("s1");
        let output = OutputId::new("idle_valve").unwrap();
        let step = StepId::new("warm").unwrap();
        recording.event(10, Event::StepStarted { step, title: "Warm up".into() });
        let cause = ReleaseCause::FormerRun;
        recording.event(20, Event::HoldReleasing { output, cause, detail: String::new() });
        let summary = summarise(&recording.abandon()).unwrap();
        assert_eq!(summary.steps[0].end, StepEnd::Open);
        assert_eq!((summary.holds[0].cause, summary.holds[0].proof), (Some(ReleaseCause::FormerRun), None));
        insta::assert_snapshot!(summary);
    }
}
