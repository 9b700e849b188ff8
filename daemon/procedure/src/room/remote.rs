//! The one adapter: every trait served by one command out and one reply back.

use std::collections::BTreeMap;

use model::event::{NoteValue, ReleaseProof};
use model::judgement::Finding;
use model::{
    ChannelId, Command, Condition, Ending, Estimate, Gate, Moment, OutputId, Place, Problem, ProblemKind,
    Quantity, Reply, Sample, Span, StepId, TracePoint, Wanted,
};

use super::{
    Fail, FreezeFrame, Halt, HoldEnd, LiveValues, Measured, Notebook, Operator, Outputs, Steps, Waited,
};

/// Something that answers each command with exactly one reply, blocking until it has one.
///
/// When nobody is left to answer it returns [`Reply::Over`].
pub trait Ask {
    /// Sends one command and waits for its reply.
    fn ask(&mut self, command: Command) -> Reply;
}

impl<F: FnMut(Command) -> Reply> Ask for F {
    fn ask(&mut self, command: Command) -> Reply {
        self(command)
    }
}

/// Serves all the traits of the room by asking.
#[derive(Debug)]
pub struct Remote<A> {
    ask: A,
    notes: BTreeMap<String, NoteValue>,
}

impl<A: Ask> Remote<A> {
    /// An adapter whose notebook begins with these notes.
    pub fn new(ask: A, notes: BTreeMap<String, NoteValue>) -> Self {
        Self { ask, notes }
    }

    fn ask(&mut self, command: Command) -> Result<Reply, Fail> {
        match self.ask.ask(command) {
            Reply::Over { ending, why } => Err(Fail::Over(Halt { ending, why })),
            Reply::Refused { problem } => Err(Fail::Refused(problem)),
            Reply::HoldEnded { output, cause, why, condition } => {
                Err(Fail::HoldEnded(HoldEnd { output, cause, why, condition }))
            }
            reply => Ok(reply),
        }
    }

    fn done(&mut self, command: Command) -> Result<(), Fail> {
        match self.ask(command)? {
            Reply::Done => Ok(()),
            reply => Err(unfit("done", &reply)),
        }
    }
}

/// A reply to another question is a fault of the program; going on after one would be guessing.
fn unfit(wanted: &str, got: &Reply) -> Fail {
    let got = match got {
        Reply::Done => "done",
        Reply::Refused { .. } => "refused",
        Reply::Waited { .. } => "waited",
        Reply::Measured { .. } => "measured",
        Reply::Traced { .. } => "traced",
        Reply::Forecast { .. } => "forecast",
        Reply::HoldEnded { .. } => "hold ended",
        Reply::HoldLeft { .. } => "hold left",
        Reply::FreezeFrame { .. } => "freeze frame",
        Reply::Latest { .. } => "latest",
        Reply::Engaged { .. } => "engaged",
        Reply::Released { .. } => "released",
        Reply::Codes { .. } => "codes",
        Reply::Answered { .. } => "answered",
        Reply::Over { .. } => "over",
    };
    Fail::Broken(vec![Problem::new(
        ProblemKind::Program,
        Place::Program,
        format!("the station answered '{got}' where '{wanted}' was due"),
        "this is a fault of the program: please report it",
    )])
}

impl<A: Ask> LiveValues for Remote<A> {
    fn poll(&mut self, channels: &[ChannelId], period: Span) -> Result<(), Fail> {
        self.done(Command::Poll { channels: channels.to_vec(), period })
    }

    fn rest(&mut self, channels: &[ChannelId]) -> Result<(), Fail> {
        self.done(Command::Rest { channels: channels.to_vec() })
    }

    fn wait(&mut self, gate: &Gate) -> Result<Waited, Fail> {
        match self.ask(Command::Wait { gate: gate.clone() })? {
            Reply::Waited { outcome, judgement } => Ok(Waited { outcome, judgement }),
            reply => Err(unfit("waited", &reply)),
        }
    }

    fn measure(&mut self, channel: &ChannelId, name: &str, over: Span) -> Result<Measured, Fail> {
        match self.ask(Command::Measure { channel: channel.clone(), name: name.into(), over })? {
            Reply::Measured { estimate, readings, rate } => Ok(Measured { estimate, readings, rate }),
            reply => Err(unfit("measured", &reply)),
        }
    }

    fn trace(&mut self, channel: &ChannelId, name: &str, over: Span) -> Result<Vec<TracePoint>, Fail> {
        match self.ask(Command::Trace { channel: channel.clone(), name: name.into(), over })? {
            Reply::Traced { readings } => Ok(readings),
            reply => Err(unfit("traced", &reply)),
        }
    }

    fn forecast(&mut self, channel: &ChannelId, level: &Quantity) -> Result<Option<Estimate>, Fail> {
        match self.ask(Command::Forecast { channel: channel.clone(), level: level.clone() })? {
            Reply::Forecast { time } => Ok(time),
            reply => Err(unfit("forecast", &reply)),
        }
    }

    fn latest(&mut self, channel: &ChannelId, within: Span) -> Result<Option<Sample>, Fail> {
        match self.ask(Command::Latest { channel: channel.clone(), within })? {
            Reply::Latest { sample } => Ok(sample),
            reply => Err(unfit("latest", &reply)),
        }
    }

    fn guard(&mut self, conditions: &[Condition]) -> Result<(), Fail> {
        self.done(Command::Guard { conditions: conditions.to_vec() })
    }

    fn codes(&mut self) -> Result<Vec<String>, Fail> {
        match self.ask(Command::ReadCodes)? {
            Reply::Codes { codes } => Ok(codes),
            reply => Err(unfit("codes", &reply)),
        }
    }

    fn freeze_frame(&mut self) -> Result<FreezeFrame, Fail> {
        match self.ask(Command::ReadFreezeFrame)? {
            Reply::FreezeFrame { code, values } => Ok(FreezeFrame { code, values }),
            reply => Err(unfit("freeze frame", &reply)),
        }
    }

    fn bear_silence(&mut self, time: Span) -> Result<(), Fail> {
        self.done(Command::BearSilence { time })
    }

    fn pause(&mut self, words: &str, time: Span) -> Result<(), Fail> {
        self.done(Command::Pause { words: words.into(), time })
    }
}

impl<A: Ask> Outputs for Remote<A> {
    fn engage(
        &mut self,
        output: &OutputId,
        value: &Quantity,
        at_most: Span,
        drop_if: &[Condition],
        goes_on: bool,
    ) -> Result<Moment, Fail> {
        let command = Command::Engage {
            output: output.clone(),
            value: value.clone(),
            at_most,
            drop_if: drop_if.to_vec(),
            goes_on,
        };
        match self.ask(command)? {
            Reply::Engaged { until } => Ok(until),
            reply => Err(unfit("engaged", &reply)),
        }
    }

    fn left(&mut self, output: &OutputId) -> Result<Span, Fail> {
        match self.ask(Command::HoldLeft { output: output.clone() })? {
            Reply::HoldLeft { left } => Ok(left),
            reply => Err(unfit("hold left", &reply)),
        }
    }

    fn extend(&mut self, output: &OutputId, by: Span) -> Result<Moment, Fail> {
        match self.ask(Command::Extend { output: output.clone(), by })? {
            Reply::Engaged { until } => Ok(until),
            reply => Err(unfit("engaged", &reply)),
        }
    }

    fn release(&mut self, output: &OutputId) -> Result<(ReleaseProof, Span), Fail> {
        match self.ask(Command::Release { output: output.clone() })? {
            Reply::Released { proof, held } => Ok((proof, held)),
            reply => Err(unfit("released", &reply)),
        }
    }
}

impl<A: Ask> Operator for Remote<A> {
    fn caution(&mut self, lines: &[String]) -> Result<(), Fail> {
        self.done(Command::Caution { lines: lines.to_vec() })
    }

    fn prompt(
        &mut self,
        act: &str,
        target: &str,
        words: &str,
        wanted: &Wanted,
        limit: Span,
    ) -> Result<Option<String>, Fail> {
        let (act, target, words) = (act.into(), target.into(), words.into());
        let command = Command::Prompt { act, target, words, wanted: wanted.clone(), limit };
        match self.ask(command)? {
            Reply::Answered { answer } => Ok(answer),
            reply => Err(unfit("answered", &reply)),
        }
    }

    fn instruct(&mut self, act: &str, target: &str, words: &str) -> Result<(), Fail> {
        self.done(Command::Instruct { act: act.into(), target: target.into(), words: words.into() })
    }

    fn call(&mut self, text: &str) -> Result<(), Fail> {
        self.done(Command::Call { text: text.into() })
    }

    fn remark(&mut self, text: &str) -> Result<(), Fail> {
        self.done(Command::Remark { text: text.into() })
    }
}

impl<A: Ask> Notebook for Remote<A> {
    fn put(&mut self, key: &str, value: NoteValue) -> Result<(), Fail> {
        self.done(Command::Note { key: key.into(), value: value.clone() })?;
        self.notes.insert(key.into(), value);
        Ok(())
    }

    fn get(&self, key: &str) -> Option<&NoteValue> {
        self.notes.get(key)
    }

    fn keys(&self) -> Vec<&str> {
        self.notes.keys().map(String::as_str).collect()
    }

    fn result(&mut self, name: &str, finding: &Finding) -> Result<(), Fail> {
        self.done(Command::Result { name: name.into(), finding: finding.clone() })
    }
}

impl<A: Ask> Steps for Remote<A> {
    fn begin(&mut self, step: &StepId, title: &str) -> Result<(), Fail> {
        self.done(Command::BeginStep { step: step.clone(), title: title.into() })
    }

    fn end(&mut self, step: &StepId, ending: Ending) -> Result<(), Fail> {
        self.done(Command::EndStep { step: step.clone(), ending })
    }

    fn skip(&mut self, step: &StepId, reason: &str) -> Result<(), Fail> {
        self.done(Command::SkipStep { step: step.clone(), reason: reason.into() })
    }
}
