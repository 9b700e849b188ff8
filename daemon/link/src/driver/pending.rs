//! The one command that is under way, and what it waits for.

use model::event::Outcome;
use model::judgement::Estimate;
use model::{
    ChannelId, Event, Judgement, Moment, OutputId, Reply, Sample, Span, TracePoint, Uncertainty, Unit, Word,
};
use signal::{GateJudge, Window, interval};
use wire::conductor::Ticket;

use super::Driver;

/// A measurement under way.
#[derive(Debug)]
pub(super) struct Measure {
    pub(super) channel: ChannelId,
    pub(super) name: String,
    pub(super) window: Window,
    pub(super) from: Moment,
    pub(super) until: Moment,
    pub(super) uncertainty: Uncertainty,
    pub(super) unit: Unit,
}

impl Measure {
    /// Whether the readings cover the time: a mean that leaves out more than a quarter of it in one piece is
    /// none of that time (our choice, no published source).
    fn is_covered(&self) -> bool {
        let most = self.until.since(self.from) / 4;
        let moments = self.window.readings().iter().map(|reading| reading.at);
        let mut last = self.from;
        moments.chain([self.until]).all(|at| at.since(std::mem::replace(&mut last, at)) <= most)
    }
}

/// Most readings of one trace: what a script's list may hold.
const LONGEST_TRACE: usize = 10_000;

/// The course of a channel, being taken.
#[derive(Debug)]
pub(super) struct Trace {
    pub(super) channel: ChannelId,
    pub(super) name: String,
    pub(super) readings: Vec<TracePoint>,
    pub(super) from: Moment,
    pub(super) until: Moment,
}

impl Trace {
    pub(super) fn sample(&mut self, sample: &Sample) {
        let mine = self.channel == sample.channel && sample.quality.usable();
        if mine && sample.at >= self.from && sample.at < self.until && self.readings.len() < LONGEST_TRACE {
            self.readings.push(TracePoint { at: sample.at, value: sample.value });
        }
    }
}

/// What is under way.
#[derive(Debug, Default)]
pub(super) enum Pending {
    #[default]
    None,
    Wait {
        judge: Box<GateJudge>,
        channels: Vec<ChannelId>,
        last: Option<Judgement>,
    },
    Measure(Box<Measure>),
    Trace(Box<Trace>),
    Latest {
        channel: ChannelId,
        within: Span,
        until: Moment,
    },
    /// The ledger is being written, under this number.
    Entry(u64),
    Engage(OutputId),
    Release(OutputId),
    /// Reading codes: the question, and what to ask instead when it is refused.
    Codes {
        ticket: Ticket,
        next: Option<Vec<u8>>,
    },
    /// Reading the freeze frame, question by question.
    Freeze(Box<super::freeze::Freeze>),
    Prompt {
        until: Moment,
    },
    Pause {
        words: String,
        until: Moment,
    },
    /// Going on until the run is over.
    KeepReading,
}

impl Pending {
    pub(super) fn deadline(&self) -> Moment {
        match self {
            Self::Wait { judge, .. } => judge.deadline(),
            Self::Measure(measure) => measure.until,
            Self::Trace(trace) => trace.until,
            Self::Latest { until, .. } | Self::Prompt { until } | Self::Pause { until, .. } => *until,
            Self::None
            | Self::KeepReading
            | Self::Entry(_)
            | Self::Engage(_)
            | Self::Release(_)
            | Self::Codes { .. }
            | Self::Freeze(_) => Moment::NEVER,
        }
    }

    /// What is waited for, in words.
    pub(super) fn words(&self, now: Moment) -> String {
        match self {
            Self::None => String::new(),
            Self::KeepReading => "reading".into(),
            Self::Wait { channels, .. } => {
                let names: Vec<&str> = channels.iter().map(ChannelId::as_str).collect();
                format!("waiting for {}", names.join(", "))
            }
            Self::Measure(measure) => format!("measuring {}", measure.channel),
            Self::Trace(trace) => format!("watching {}", trace.channel),
            Self::Latest { channel, .. } => format!("waiting for a reading of {channel}"),
            Self::Entry(_) => "writing the ledger of holds".into(),
            Self::Engage(output) => format!("taking over {output}"),
            Self::Release(output) => format!("giving {output} back"),
            Self::Codes { .. } => "reading trouble codes".into(),
            Self::Freeze(_) => "reading the freeze frame".into(),
            Self::Prompt { .. } => "waiting for an answer".into(),
            Self::Pause { words, until } => format!("{words}: {} left", until.since(now).max(Span::ZERO)),
        }
    }
}

impl Driver {
    /// Lets the pending command look at what is new; replies when it has its ending.
    pub(super) fn look(&mut self, now: Moment) {
        match &mut self.pending {
            Pending::Wait { judge, .. } => {
                if let Some((outcome, judgement)) = judge.outcome(now) {
                    return self.end_wait(now, outcome, judgement);
                }
                self.note_word(now);
            }
            Pending::Measure(measure) if now >= measure.until => self.end_measure(now),
            Pending::Trace(trace) if now >= trace.until => self.end_trace(now),
            Pending::Pause { until, .. } if now >= *until => {
                self.pending = Pending::None;
                self.reply(Reply::Done);
            }
            Pending::Latest { channel, within, until } => {
                let sample = self.board.latest(channel, now, *within).cloned();
                if sample.is_some() || now >= *until {
                    self.pending = Pending::None;
                    self.reply(Reply::Latest { sample });
                }
            }
            Pending::Prompt { until } => {
                let late = now >= *until;
                let answer = self.operator.answer(now);
                if answer.is_some() || late {
                    self.pending = Pending::None;
                    match &answer {
                        Some(answer) => self.journal.event(now, Event::Answered { answer: answer.clone() }),
                        None => self.operator.given_up(now),
                    }
                    self.reply(Reply::Answered { answer });
                }
            }
            _ => {}
        }
    }

    /// Records the judgement when its word or its reasons' words change, not at every reading.
    fn note_word(&mut self, now: Moment) {
        let Pending::Wait { judge, last, .. } = &mut self.pending else { return };
        let word = judge.word(now);
        let told: Option<Word> = last.as_ref().map(|judgement| judgement.word);
        if told == Some(word) {
            return;
        }
        let judgement = judge.judge(now);
        *last = Some(judgement.clone());
        self.journal.event(now, Event::GateJudged { judgement });
    }

    fn end_wait(&mut self, now: Moment, outcome: Outcome, judgement: Judgement) {
        // At its limit with the link down, it is the link that is to blame.
        let outcome = if outcome == Outcome::Unknown && !self.link_up { Outcome::Fault } else { outcome };
        self.pending = Pending::None;
        self.conductor.boost(&[]);
        self.journal.event(now, Event::GateEnded { outcome, judgement: judgement.clone() });
        self.reply(Reply::Waited { outcome, judgement });
    }

    fn end_measure(&mut self, now: Moment) {
        let Pending::Measure(measure) = std::mem::take(&mut self.pending) else { return };
        let readings = measure.window.readings().len() as u64;
        let seconds = measure.until.since(measure.from).as_secs_f64();
        // One reading has no spread of its own; a mean wants at least two, and from all of its time.
        let whole = readings >= 2 && measure.is_covered();
        let summary = if whole { measure.window.summary() } else { None };
        let interval = summary.map(|summary| interval::mean_interval(&summary, &measure.uncertainty));
        let estimate: Option<Estimate> = interval.map(|interval| interval.estimate(&measure.unit));
        let dithered = interval.is_some_and(|interval| interval.dithered);
        let rate = if seconds > 0.0 { readings as f64 / seconds } else { 0.0 };
        self.journal.event(
            now,
            Event::Measured {
                channel: measure.channel,
                name: measure.name,
                estimate: estimate.clone(),
                readings,
                rate,
                over: measure.until.since(measure.from),
                dithered,
            },
        );
        self.reply(Reply::Measured { estimate, readings, rate });
    }

    fn end_trace(&mut self, now: Moment) {
        let Pending::Trace(trace) = std::mem::take(&mut self.pending) else { return };
        let Trace { channel, name, readings, from, until } = *trace;
        self.conductor.boost(&[]);
        let (count, over) = (readings.len() as u64, until.since(from));
        self.journal.event(now, Event::Traced { channel, name, readings: count, over });
        self.reply(Reply::Traced { readings });
    }
}
