//! What a run has done so far, and the checks of names and order that every call goes through.

use std::collections::BTreeSet;
use std::fmt;

use model::{ChannelId, Ending, OutputId, Place, Problem, ProblemKind, StepId, Unit};
use rhai::Position;

use super::fault::misuse;
use crate::facts::{Facts, OutputFact, SetupFact};
use crate::nearest;
use crate::report::{Header, StepHow, StepRecord};
use crate::room::{Fail, Room};

pub(crate) struct State {
    pub(crate) room: Box<dyn Room + Send>,
    pub(crate) facts: Facts,
    pub(crate) header: Option<Header>,
    /// The script is only asked for its header: it ends there.
    pub(crate) header_only: bool,
    pub(crate) cautioned: bool,
    pub(crate) step: Option<(StepId, String)>,
    pub(crate) steps: Vec<StepRecord>,
    /// Outputs that may be held: entered before the request, removed by an answer.
    pub(crate) held: BTreeSet<OutputId>,
    /// The other side has ended the run and answers no more.
    pub(crate) over: bool,
    /// What the script declared undecided.
    pub(crate) undecided: Vec<String>,
    /// Where the newest host call stands in the script.
    pub(crate) last: Position,
}

impl fmt::Debug for State {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("State")
            .field("header", &self.header)
            .field("held", &self.held)
            .finish_non_exhaustive()
    }
}

impl State {
    pub(crate) fn new(room: Box<dyn Room + Send>, facts: Facts, header_only: bool) -> Self {
        Self {
            room,
            facts,
            header: None,
            header_only,
            cautioned: false,
            step: None,
            steps: Vec::new(),
            held: BTreeSet::new(),
            over: false,
            undecided: Vec::new(),
            last: Position::NONE,
        }
    }

    /// The header, which must come before everything that touches the car, a person or the record.
    pub(crate) fn header(&self) -> Result<&Header, Fail> {
        self.header.as_ref().ok_or_else(|| {
            misuse(
                "the script does something before it says what it needs",
                "begin with procedure(\"name\", #{ title: …, channels: […] })",
            )
        })
    }

    /// Cautions come before anything that moves the car or a person.
    pub(crate) fn cautioned(&self, what: &str) -> Result<(), Fail> {
        self.header()?;
        if self.cautioned {
            Ok(())
        } else {
            Err(misuse(
                format!("{what} before any caution was shown"),
                "cautions come first: call caution([…])",
            ))
        }
    }

    pub(crate) fn channel(&self, name: &str) -> Result<(ChannelId, Unit), Fail> {
        let header = self.header()?;
        let found = ChannelId::new(name).ok().and_then(|id| self.facts.channels.get_key_value(&id));
        let Some((id, unit)) = found else {
            return Err(misuse(format!("no channel '{name}'"), self.channel_cure(name)));
        };
        let named = header.channels.contains(id) || header.may_channels.contains(id);
        declared(named, "channel", name, "channels")?;
        Ok((id.clone(), unit.clone()))
    }

    pub(crate) fn output(&self, name: &str) -> Result<(OutputId, OutputFact), Fail> {
        let header = self.header()?;
        let found = OutputId::new(name).ok().and_then(|id| self.facts.outputs.get_key_value(&id));
        let Some((id, fact)) = found else {
            return Err(misuse(format!("no output '{name}'"), self.output_cure(name)));
        };
        declared(header.outputs.contains(id), "output", name, "outputs")?;
        Ok((id.clone(), fact.clone()))
    }

    pub(crate) fn setup(&self, name: &str) -> Result<SetupFact, Fail> {
        let header = self.header()?;
        let Some(fact) = self.facts.setup.get(name) else {
            return Err(misuse(format!("no set-up value '{name}'"), self.setup_cure(name)));
        };
        let named = header.setup.iter().chain(&header.may_setup).any(|s| s == name);
        declared(named, "set-up value", name, "setup")?;
        Ok(fact.clone())
    }

    /// Whether the car has a channel that the header names.
    pub(crate) fn has_channel(&self, name: &str) -> Result<bool, Fail> {
        let header = self.header()?;
        let named = header.channels.iter().chain(&header.may_channels).find(|id| id.as_str() == name);
        declared(named.is_some(), "channel", name, "may_channels")?;
        Ok(named.is_some_and(|id| self.facts.channels.contains_key(id)))
    }

    /// Whether the car has a set-up value that the header names.
    pub(crate) fn has_setup(&self, name: &str) -> Result<bool, Fail> {
        let header = self.header()?;
        let named = header.setup.iter().chain(&header.may_setup).any(|s| s == name);
        declared(named, "set-up value", name, "may_setup")?;
        Ok(self.facts.setup.contains_key(name))
    }

    /// Takes the header, checked in full: every missing name is reported at once.
    pub(crate) fn declare(&mut self, header: Header) -> Result<(), Fail> {
        if self.header.is_some() {
            return Err(misuse(
                "procedure(…) is called a second time",
                "call it once, at the top of the script",
            ));
        }
        let mut missing = Vec::new();
        if !self.header_only {
            let mut miss = |what: &str, name: &str, cure: String| {
                missing.push(Problem::new(
                    ProblemKind::Script,
                    Place::Program,
                    format!("the car's description has no {what} '{name}'"),
                    cure,
                ));
            };
            for id in header.channels.iter().filter(|id| !self.facts.channels.contains_key(*id)) {
                miss("channel", id.as_str(), self.channel_cure(id.as_str()));
            }
            for id in header.outputs.iter().filter(|id| !self.facts.outputs.contains_key(*id)) {
                miss("output", id.as_str(), self.output_cure(id.as_str()));
            }
            for name in header.setup.iter().filter(|name| !self.facts.setup.contains_key(*name)) {
                miss("set-up value", name, self.setup_cure(name));
            }
        }
        self.header = Some(header);
        if missing.is_empty() { Ok(()) } else { Err(Fail::Broken(missing)) }
    }

    /// Writes down how the open step came out and gives its name.
    pub(crate) fn end_step(&mut self, ending: Ending) -> Option<StepId> {
        let (step, title) = self.step.take()?;
        self.steps.push(StepRecord { step: step.clone(), title, how: StepHow::Ended(ending) });
        Some(step)
    }

    fn channel_cure(&self, name: &str) -> String {
        nearest::cure(name, self.facts.channels.keys().map(ChannelId::as_str))
    }

    fn output_cure(&self, name: &str) -> String {
        nearest::cure(name, self.facts.outputs.keys().map(OutputId::as_str))
    }

    fn setup_cure(&self, name: &str) -> String {
        nearest::cure(name, self.facts.setup.keys().map(String::as_str))
    }
}

/// A script says in its header what it uses, so that what is missing comes out before the engine is warm.
fn declared(yes: bool, what: &str, name: &str, key: &str) -> Result<(), Fail> {
    if yes {
        Ok(())
    } else {
        Err(misuse(
            format!("the header does not name the {what} '{name}'"),
            format!("add it to {key}: […] in procedure(…)"),
        ))
    }
}
