//! How a run comes to its end.

use model::event::{Outcome, ReleaseCause};
use model::{Ending, Event, Moment, OutputId, Place, Problem, ProblemKind, Reply, Span};
use wire::conductor::Ticket;
use wire::service;

use super::pending::Pending;
use super::{Driver, Over, RunEnd};

/// A controller that does not take leave within this time is left without: nothing is held by then.
const FAREWELL_TIME: Span = Span::from_secs(2);

/// Taking leave of the controller.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Farewell {
    Due,
    Asked { ticket: Ticket, until: Moment },
    Done,
}

impl Driver {
    /// Ends the run before the script does: everything held is released, the command under way and all later
    /// ones are answered with this ending. The first ending stands; a graver later one displaces it.
    pub(super) fn end_run(&mut self, now: Moment, ending: Ending, why: &str, cause: ReleaseCause) {
        match &mut self.over {
            Some(over) => {
                if over.ending.and(ending) != over.ending {
                    *over = Over { ending, why: why.to_string() };
                }
            }
            None => {
                tracing::info!(%ending, why, "the run is ended");
                self.over = Some(Over { ending, why: why.to_string() });
            }
        }
        if let Pending::Wait { judge, .. } = &mut self.pending {
            let judgement = judge.judge(now);
            self.journal.event(now, Event::GateEnded { outcome: Outcome::Cancelled, judgement });
        }
        if let Some(step) = self.step.take() {
            self.journal.event(now, Event::StepEnded { step, ending });
        }
        self.pending = Pending::None;
        self.guards.clear();
        self.conductor.boost(&[]);
        self.reply(Reply::Over { ending, why: why.to_string() });
        self.conductor.release_all(now, cause);
    }

    /// Whether all is done: the script gone, nothing held, leave taken.
    pub(super) fn is_finished(&mut self, now: Moment) -> bool {
        if self.script.is_open() || !self.conductor.holds().is_empty() || now < self.entries.last_wait() {
            return false;
        }
        match self.farewell {
            // Without services there is no word for it, and any byte may mean something else.
            Farewell::Due if self.link_up && self.conductor.has_services() => {
                // A controller that knows its tester is gone need not wait for its timeout.
                let ticket = self.conductor.ask(now, vec![service::STOP_COMMUNICATION]);
                self.farewell = Farewell::Asked { ticket, until: now + FAREWELL_TIME };
                self.settle(now);
                self.farewell == Farewell::Done
            }
            Farewell::Due | Farewell::Done => true,
            Farewell::Asked { until, .. } => now >= until,
        }
    }

    /// Whether an answer was the one to the farewell.
    pub(super) fn farewell_answered(&mut self, ticket: Ticket) -> bool {
        let mine = matches!(self.farewell, Farewell::Asked { ticket: asked, .. } if asked == ticket);
        if mine {
            self.farewell = Farewell::Done;
        }
        mine
    }

    /// When a disk that does not finish is left to itself, once the script has gone.
    pub(super) fn entries_deadline(&self) -> Moment {
        let until = self.entries.last_wait();
        // A wait that is over must not be waited for again while leave is taken.
        if self.script.is_open() || until <= self.clock.now() { Moment::NEVER } else { until }
    }

    pub(super) fn farewell_deadline(&self) -> Moment {
        match self.farewell {
            Farewell::Asked { until, .. } => until,
            Farewell::Due | Farewell::Done => Moment::NEVER,
        }
    }

    pub(super) fn operator_deadline(&self) -> Moment {
        match self.pending {
            Pending::Prompt { .. } => self.operator.next_answer().unwrap_or(Moment::NEVER),
            _ => Moment::NEVER,
        }
    }

    /// When something will be said beside any question.
    pub(super) fn said_deadline(&self) -> Moment {
        if self.over.is_some() { Moment::NEVER } else { self.operator.next_said().unwrap_or(Moment::NEVER) }
    }

    pub(super) fn finish(&mut self, begun: Moment) -> RunEnd {
        let now = self.clock.now();
        if !self.port.shunned
            && let Err(error) = self.let_line_go(now)
        {
            tracing::warn!(%error, "the line could not be let go at the end of the run");
        }
        self.warn_of_what_is_left(now);
        self.give_up_entries();
        self.end_silence(now);
        let tally = self.conductor.tally().clone();
        self.journal.event(
            now,
            Event::WireTimes {
                exchange: self.times.exchanges(),
                request_late: self.times.requests_late(),
                character_late: self.times.characters_late(),
            },
        );
        self.journal.event(
            now,
            Event::WireTally {
                exchanges: tally.exchanges,
                faults: tally.faults.clone(),
                wakeups: tally.wakeups,
            },
        );
        let (mut ending, mut why) = match &self.over {
            Some(over) => (over.ending, Some(over.why.clone())),
            None => (Ending::Passed, None),
        };
        // Other problems were answered to the script, whose ending speaks for them.
        let own = |kind| matches!(kind, ProblemKind::Program | ProblemKind::Release);
        for problem in self.problems.iter().filter(|problem| own(problem.kind)) {
            let graver = ending.and(problem.kind.ending());
            if graver != ending {
                (ending, why) = (graver, Some(problem.to_string()));
            }
        }
        let graver = if self.ledger_is_behind { ending.and(Ending::Undecided) } else { ending };
        if graver != ending {
            let told = "an output is back, but could not be struck out of the ledger of holds: the next start releases it again";
            (ending, why) = (graver, Some(told.into()));
        }
        RunEnd {
            ending,
            why,
            problems: std::mem::take(&mut self.problems),
            tally,
            times: std::mem::take(&mut self.times),
            length: now.since(begun),
            at: now,
            last_seq: self.journal.last_seq(),
            abandoned: self.abandoned,
        }
    }

    /// What the ledger still holds at the end is told, whatever has kept it from being released: the next
    /// start releases it first, but until then only the key does.
    fn warn_of_what_is_left(&mut self, now: Moment) {
        let told = |problem: &Problem, output: &OutputId| {
            problem.kind == ProblemKind::Release && problem.place == Place::Output { output: output.clone() }
        };
        let untold = |output: &&OutputId| !self.problems.iter().any(|problem| told(problem, output));
        let left: Vec<OutputId> = self.intents.keys().filter(untold).cloned().collect();
        for output in left {
            let seen = "the run ended before its release was known";
            let place = Place::Output { output };
            self.tell(now, Problem::new(ProblemKind::Release, place, seen, "switch the key off"));
        }
    }
}
