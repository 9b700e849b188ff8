//! What a script may do with a hold besides beginning it: give it back, ask how long it lasts, have a person
//! extend it, and live through its early end.

use model::event::{Outcome, ReleaseCause, ReleaseProof};
use model::{Command, Event, Moment, OutputId, Place, Problem, ProblemKind, Reply, Span};
use wire::hold::Hold;

use super::Driver;
use super::pending::Pending;
use crate::sides::Intent;

/// A hold that has ended under its script.
#[derive(Debug)]
pub(super) struct EndedHold {
    pub(super) output: OutputId,
    cause: ReleaseCause,
    why: String,
    condition: Option<u32>,
    /// How it came back, once that is known.
    pub(super) released: Option<(ReleaseProof, Span)>,
}

impl EndedHold {
    fn reply(&self) -> Reply {
        Reply::HoldEnded {
            output: self.output.clone(),
            cause: self.cause,
            why: self.why.clone(),
            condition: self.condition,
        }
    }
}

impl Driver {
    /// After a hold has ended under its script nothing is done for the script but its release: whatever it was
    /// doing was meant for a held output. Gives the answer to every other command.
    pub(super) fn only_its_release(&self, command: &Command) -> Option<Reply> {
        let ended = self.ended.first()?;
        match command {
            Command::Release { .. } | Command::Stop { .. } => None,
            _ => Some(ended.reply()),
        }
    }

    /// Ends the hold and what the script was doing under it, and nothing else.
    pub(super) fn end_hold_only(&mut self, now: Moment, output: &OutputId, cause: ReleaseCause, why: &str) {
        let detail = self.release_detail(output, cause);
        let why = if detail.is_empty() { why.to_string() } else { detail };
        let condition = self.tripped_condition(output);
        let ended = EndedHold { output: output.clone(), cause, why, condition, released: None };
        match std::mem::take(&mut self.pending) {
            Pending::Wait { mut judge, .. } => {
                let judgement = judge.judge(now);
                self.journal.event(now, Event::GateEnded { outcome: Outcome::Cancelled, judgement });
            }
            // The release of this hold was asked for in the same moment: its answer comes when it is known. That of
            // another goes on; the script learns of this one at its next command.
            Pending::Release(wanted) => {
                if wanted != *output {
                    self.ended.push(ended);
                }
                self.pending = Pending::Release(wanted);
                return;
            }
            _ => {}
        }
        self.conductor.boost(&[]);
        self.reply(ended.reply());
        self.ended.push(ended);
    }

    /// A hold with the link gone: what can be known, and what lets go.
    pub(super) fn say_what_is_held(&mut self, now: Moment, output: &OutputId) {
        let Some(intent) = self.intents.get(output) else { return };
        let (seen, cure) = match intent.controller_timeout {
            Some(timeout) => (
                format!(
                    "the link is gone while it is held at {}; the controller lets go by itself {timeout} after the last word it heard",
                    in_words(intent)
                ),
                "key off, which releases it at once; then look at plug and cable",
            ),
            None => (
                format!(
                    "the link is gone while it is held at {}, and this controller never lets go by itself",
                    in_words(intent)
                ),
                "key off now: only that releases it",
            ),
        };
        let place = Place::Output { output: output.clone() };
        self.operator.call(now, &format!("{output}: {seen}: {cure}"));
        self.tell(now, Problem::new(ProblemKind::Link, place, seen, cure));
    }

    pub(super) fn give_back(&mut self, now: Moment, output: OutputId) {
        // One that has come back already is answered with what was known then.
        let known = self.ended.iter().find(|ended| ended.output == output).and_then(|ended| ended.released);
        if let Some((proof, held)) = known {
            self.ended.retain(|ended| ended.output != output);
            return self.reply(Reply::Released { proof, held });
        }
        // A hold that is over may stand in the list until its wire is idle; nothing will answer for it.
        if self.held(&output).is_some() {
            self.pending = Pending::Release(output.clone());
            self.conductor.release(now, &output, ReleaseCause::ScopeLeft);
        } else {
            self.reply(Reply::Refused { problem: not_held(output) });
        }
    }

    pub(super) fn hold_left(&mut self, now: Moment, output: &OutputId) {
        match self.held(output).map(Hold::window_end) {
            Some(end) => self.reply(Reply::HoldLeft { left: end.since(now).max(Span::ZERO) }),
            None => self.reply(Reply::Refused { problem: not_held(output.clone()) }),
        }
    }

    /// Moves the end of a window outwards. The ledger is synced first, as for the hold itself.
    pub(super) fn extend(&mut self, now: Moment, output: &OutputId, by: Span) {
        let description = self.description.clone();
        let (Some(intent), Some(described)) = (self.intents.get(output), description.output(output)) else {
            return self.reply(Reply::Refused { problem: not_held(output.clone()) });
        };
        if self.held(output).is_none_or(Hold::is_releasing) {
            return self.reply(Reply::Refused { problem: not_held(output.clone()) });
        }
        let at_most = intent.at_most + by;
        if by <= Span::ZERO || at_most > described.longest_hold {
            let seen = format!(
                "it would be held for {at_most} in all, the description allows up to {}",
                described.longest_hold
            );
            let place = Place::Output { output: output.clone() };
            let problem = Problem::new(ProblemKind::Script, place, seen, "give it back and hold it anew");
            return self.reply(Reply::Refused { problem });
        }
        let intent = Intent { at_most, ..intent.clone() };
        self.extend_once_written(now, intent);
    }

    /// Which drop condition of an output came true, in the order in which they were given.
    fn tripped_condition(&self, output: &OutputId) -> Option<u32> {
        let own = self.drops.iter().filter(|drop| drop.output == *output);
        own.zip(0..).find(|(drop, _)| drop.came_true()).map(|(_, place)| place)
    }

    pub(super) fn held(&self, output: &OutputId) -> Option<&Hold> {
        self.conductor.holds().iter().find(|hold| hold.spec().output == *output && !hold.is_done())
    }
}

pub(super) fn not_held(output: OutputId) -> Problem {
    Problem::new(ProblemKind::Script, Place::Output { output }, "it is not held", "hold it first")
}

fn in_words(intent: &Intent) -> String {
    intent.value.to_string()
}
