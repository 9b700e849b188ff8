//! Taking outputs over, and the conditions that give them back.

use model::event::ReleaseCause;
use model::{
    Command, Condition, Ending, Event, Moment, OutputId, Place, Problem, ProblemKind, Quantity, Reply, Span,
    Word,
};
use signal::ConditionJudge;

use super::Driver;
use super::entries::{Wish, link_is_down};
use crate::config;
use crate::sides::Intent;

/// A condition that is judged on every sample.
#[derive(Debug)]
pub(super) struct Watch {
    pub(super) judge: ConditionJudge,
    pub(super) condition: Condition,
    unknown_since: Option<Moment>,
}

impl Watch {
    /// The link came back: what was unknown while it was down counts from now.
    pub(super) fn begin_anew(&mut self, now: Moment) {
        self.unknown_since = Some(now);
    }

    pub(super) fn new(judge: ConditionJudge, condition: Condition, now: Moment) -> Self {
        Self { judge, condition, unknown_since: Some(now) }
    }

    /// The word at which this condition acts: come true, or unknown for too long.
    fn trips(&mut self, now: Moment, patience: Span) -> Option<Word> {
        let word = self.judge.word(now);
        if word != Word::Unknown {
            self.unknown_since = None;
            return matches!(word, Word::Proven | Word::Inside).then_some(word);
        }
        let since = *self.unknown_since.get_or_insert(now);
        (now.since(since) >= patience).then_some(word)
    }

    fn deadline(&self, patience: Span) -> Moment {
        let unknown = self.unknown_since.map_or(Moment::NEVER, |since| since + patience);
        self.judge.deadline().min(unknown)
    }
}

/// A condition that ends the run.
#[derive(Debug)]
pub(super) struct Guard {
    pub(super) watch: Watch,
}

/// A condition that gives an output back.
#[derive(Debug)]
pub(super) struct Drop {
    pub(super) output: OutputId,
    pub(super) watch: Watch,
    tripped: Option<Word>,
}

impl Drop {
    /// Whether it came true, as opposed to not being judged for too long.
    pub(super) fn came_true(&self) -> bool {
        matches!(self.tripped, Some(Word::Proven | Word::Inside))
    }
}

impl Driver {
    pub(super) fn engage(&mut self, now: Moment, command: Command) {
        let Command::Engage { output, value, at_most, drop_if, goes_on } = command else { return };
        match self.check_hold(now, &output, &value, at_most, &drop_if) {
            // The ledger is safe on disk before anything is sent: a restart knows what to release.
            Ok((intent, drops)) => self.engage_once_written(now, Wish { intent, drops, goes_on }),
            Err(problem) => self.reply(Reply::Refused { problem: *problem }),
        }
    }

    fn check_hold(
        &mut self,
        now: Moment,
        id: &OutputId,
        value: &Quantity,
        at_most: Span,
        drop_if: &[Condition],
    ) -> Result<(Intent, Vec<Drop>), Box<Problem>> {
        let description = self.description.clone();
        let problem = |seen: String, cure: String| {
            Box::new(Problem::new(ProblemKind::Script, Place::Output { output: id.clone() }, seen, cure))
        };
        let Some(output) = description.output(id) else {
            let near = description.nearest_output(id.as_str());
            let cure =
                near.map_or("see the description's outputs".into(), |near| format!("did you mean '{near}'?"));
            return Err(problem("the car has no such output".into(), cure));
        };
        if self.intents.contains_key(id) {
            return Err(problem("it is held already".into(), "leave the other hold first".into()));
        }
        // What the disk still writes for it is struck out behind: a second entry would be struck out with it.
        if self.entries.is_behind(id) {
            return Err(problem(
                "its last entry is still being written".into(),
                "hold it again in a moment".into(),
            ));
        }
        if !self.link_up {
            return Err(Box::new(link_is_down()));
        }
        if at_most <= Span::ZERO || at_most > output.longest_hold {
            let seen = format!("at_most is {at_most}, the description allows up to {}", output.longest_hold);
            return Err(problem(seen, "hold it for a shorter time".into()));
        }
        let engage =
            output.engage_bytes(value).map_err(|e| problem(e.to_string(), "ask for another value".into()))?;
        let mut drops = Vec::new();
        for condition in drop_if {
            let watch = self.watch(now, condition)?;
            drops.push(Drop { output: id.clone(), watch, tripped: None });
        }
        let intent = Intent {
            output: id.clone(),
            value: value.clone(),
            engage,
            release: output.release_bytes().to_vec(),
            at_most,
            controller_timeout: config::controller_timeout(&description),
        };
        Ok((intent, drops))
    }

    /// Builds a watch and has its channels read.
    pub(super) fn watch(&mut self, now: Moment, condition: &Condition) -> Result<Watch, Box<Problem>> {
        let judge = ConditionJudge::new(condition, &self.facts, now)
            .map_err(|e| Box::new(super::commands::gate_problem(&e)))?;
        for channel in judge.channels() {
            self.want_channel(now, &channel);
        }
        Ok(Watch::new(judge, condition.clone(), now))
    }

    pub(super) fn watch_deadline(&self) -> Moment {
        if self.over.is_some() {
            return Moment::NEVER;
        }
        let patience = self.patience.unknown;
        let guards = self.guards.iter().filter(|_| !self.bears_silence(self.clock.now()));
        let guards = guards.map(|guard| guard.watch.deadline(patience));
        let waiting = self.drops.iter().filter(|drop| drop.tripped.is_none());
        guards.chain(waiting.map(|drop| drop.watch.deadline(patience))).min().unwrap_or(Moment::NEVER)
    }

    /// Judges what is due to be judged: after new readings, and when a deadline of a judge has passed.
    pub(super) fn judge(&mut self, now: Moment) {
        let due = self.fresh
            || now >= self.pending.deadline().min(self.watch_deadline()).min(self.operator_deadline());
        if !due {
            return;
        }
        self.fresh = false;
        // A reading that takes the output back must not meet a gate as well: the gate was for a held output.
        if self.judge_drops(now) {
            return;
        }
        self.judge_guards(now);
        self.look(now);
    }

    /// Gives back what a drop condition takes back. Says whether any did.
    fn judge_drops(&mut self, now: Moment) -> bool {
        let patience = self.patience.unknown;
        let mut drop_now = Vec::new();
        for drop in self.drops.iter_mut().filter(|drop| drop.tripped.is_none()) {
            if let Some(word) = drop.watch.trips(now, patience) {
                drop.tripped = Some(word);
                drop_now.push(drop.output.clone());
            }
        }
        for output in &drop_now {
            self.conductor.release(now, output, ReleaseCause::DropCondition);
        }
        !drop_now.is_empty()
    }

    fn judge_guards(&mut self, now: Moment) {
        if self.over.is_some() || self.bears_silence(now) {
            return;
        }
        let patience = self.patience.unknown;
        let tripped = self.guards.iter_mut().find_map(|guard| {
            guard.watch.trips(now, patience).map(|word| (guard.watch.condition.clone(), word))
        });
        if let Some((condition, word)) = tripped {
            self.journal.event(now, Event::GuardTripped { condition, word });
            self.end_run(now, Ending::Stopped, "a guard stopped the run", ReleaseCause::Stop);
        }
    }

    /// More words on why an output is given back.
    pub(super) fn release_detail(&self, output: &OutputId, cause: ReleaseCause) -> String {
        // Machines built anew release what the ones before them held as a former run's.
        if let (ReleaseCause::FormerRun, Some(over)) = (cause, &self.over) {
            return over.why.clone();
        }
        if cause != ReleaseCause::DropCondition {
            return String::new();
        }
        let tripped = self.drops.iter().find(|drop| drop.output == *output && drop.tripped.is_some());
        match tripped.map(|drop| (drop.tripped, drop.watch.judge.findings(self.clock.now()))) {
            Some((Some(Word::Unknown), _)) => "its drop condition could not be judged".into(),
            Some((_, findings)) => findings.iter().map(ToString::to_string).collect::<Vec<_>>().join("; "),
            None => String::new(),
        }
    }
}
