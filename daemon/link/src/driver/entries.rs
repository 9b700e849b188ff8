//! What the hold ledger has been asked to write, and what follows once it is written. A disk takes its time; the
//! wire goes on meanwhile.

use std::collections::VecDeque;
use std::task::{Context, Poll, Waker};

use model::{Event, Moment, OutputId, Place, Problem, ProblemKind, Quantity, Reply, Span};
use wire::hold::Hold;

use super::Driver;
use super::holds::Drop;
use super::pending::Pending;
use crate::config;
use crate::sides::{Intent, Ledger};

/// A hold that engages once its entry is safe.
#[derive(Debug)]
pub(super) struct Wish {
    pub(super) intent: Intent,
    pub(super) drops: Vec<Drop>,
    pub(super) goes_on: bool,
}

/// What follows when an entry is written.
#[derive(Debug)]
enum Then {
    Engage(Box<Wish>),
    Extend(Box<Intent>),
    StruckOut,
}

/// The ledger, and what it has been asked for and has not done yet, in order.
pub(super) struct Entries {
    ledger: Box<dyn Ledger>,
    asked: VecDeque<Asked>,
    last: u64,
}

struct Asked {
    number: u64,
    since: Moment,
    then: Then,
}

/// How long the end of a run waits for a disk: long enough for a slow one, our choice. What is written later is
/// written all the same, and is only not told in the record.
const LAST_ENTRIES: Span = Span::from_secs(2);

impl Entries {
    pub(super) fn new(ledger: Box<dyn Ledger>) -> Self {
        Self { ledger, asked: VecDeque::new(), last: 0 }
    }

    /// Whether anything is being written.
    pub(super) fn is_busy(&self) -> bool {
        !self.asked.is_empty()
    }

    /// Ready when the first thing asked for is done.
    pub(super) fn poll(&mut self, context: &mut Context<'_>) -> Poll<Result<(), Problem>> {
        self.ledger.poll_done(context)
    }

    fn ask(&mut self, since: Moment, then: Then) -> u64 {
        self.last += 1;
        self.asked.push_back(Asked { number: self.last, since, then });
        self.last
    }

    /// Whether an entry for this output is being written that nobody waits for any more.
    pub(super) fn is_behind(&self, output: &OutputId) -> bool {
        let of = |asked: &Asked| matches!(&asked.then, Then::Engage(wish) if wish.intent.output == *output);
        self.asked.iter().any(of)
    }

    /// Until when the end of a run waits for what is being written; nothing to wait for is a moment long gone.
    pub(super) fn last_wait(&self) -> Moment {
        self.asked.front().map_or(Moment::ZERO, |asked| asked.since + LAST_ENTRIES)
    }
}

impl Driver {
    /// Has the ledger written, and the output taken over when that is done.
    pub(super) fn engage_once_written(&mut self, now: Moment, wish: Wish) {
        self.entries.ledger.intend(now, &wish.intent);
        self.pending = Pending::Entry(self.entries.ask(now, Then::Engage(Box::new(wish))));
        self.take_what_is_written(now);
    }

    /// Has the ledger written, and the window moved when that is done.
    pub(super) fn extend_once_written(&mut self, now: Moment, intent: Intent) {
        self.entries.ledger.intend(now, &intent);
        self.pending = Pending::Entry(self.entries.ask(now, Then::Extend(Box::new(intent))));
        self.take_what_is_written(now);
    }

    /// Strikes an output out of the ledger.
    pub(super) fn strike_out(&mut self, now: Moment, output: &OutputId) {
        self.intents.remove(output);
        self.entries.ledger.cleared(output);
        self.entries.ask(now, Then::StruckOut);
        self.take_what_is_written(now);
    }

    /// What is done already is not waited for: a ledger that writes while it is asked costs no turn of the loop.
    fn take_what_is_written(&mut self, now: Moment) {
        let mut context = Context::from_waker(Waker::noop());
        while self.entries.is_busy()
            && let Poll::Ready(outcome) = self.entries.poll(&mut context)
        {
            self.written(now, outcome);
        }
    }

    /// The first thing asked for is done, or cannot be.
    pub(super) fn written(&mut self, now: Moment, outcome: Result<(), Problem>) {
        let Some(Asked { number, then, .. }) = self.entries.asked.pop_front() else { return };
        let wanted = matches!(self.pending, Pending::Entry(waiting) if waiting == number);
        if wanted {
            self.pending = Pending::None;
        }
        if let Err(problem) = outcome {
            // The output is back and the ledger still says that it may be held: the next start says so too.
            self.ledger_is_behind |= matches!(then, Then::StruckOut);
            self.tell(now, problem.clone());
            if wanted {
                self.reply(Reply::Refused { problem });
            }
            return;
        }
        match then {
            Then::StruckOut => {}
            // The run ended, or the script went away, while the disk was at work: nothing has left for the wire.
            Then::Engage(wish) if !wanted => self.strike_out(now, &wish.intent.output),
            Then::Engage(wish) => self.engage_written(now, *wish),
            // A longer window in the ledger than on the wire does no harm: a restart releases either.
            Then::Extend(_) if !wanted => {}
            Then::Extend(intent) => self.extend_written(now, *intent),
        }
    }

    /// At the end of a run: what the ledger still writes for holds that never engaged is struck out behind it.
    pub(super) fn give_up_entries(&mut self) {
        let wishes = std::mem::take(&mut self.entries.asked);
        for asked in wishes {
            if let Then::Engage(wish) = asked.then {
                self.entries.ledger.cleared(&wish.intent.output);
            }
        }
    }

    fn engage_written(&mut self, now: Moment, wish: Wish) {
        let Wish { intent, mut drops, goes_on } = wish;
        let output = intent.output.clone();
        if !self.link_up {
            self.strike_out(now, &output);
            return self.reply(Reply::Refused { problem: link_is_down() });
        }
        // They count from the hold, not from the writing.
        drops.iter_mut().for_each(|drop| drop.watch.begin_anew(now));
        let drop_if = drops.iter().map(|drop| drop.watch.condition.clone()).collect();
        let value: Quantity = intent.value.clone();
        let at_most: Span = intent.at_most;
        self.journal.event(now, Event::HoldIntended { output: output.clone(), value, at_most, drop_if });
        let spec = config::hold(&self.description, &intent);
        if let Some(item) = spec.effect {
            self.want_request(now, item);
        }
        self.intents.insert(output.clone(), intent);
        if goes_on {
            self.going_on.insert(output.clone());
        } else {
            self.going_on.remove(&output);
        }
        self.drops.extend(drops);
        self.pending = Pending::Engage(output);
        self.conductor.engage(now, spec);
    }

    fn extend_written(&mut self, now: Moment, intent: Intent) {
        let output = intent.output.clone();
        // It may have ended while the disk was at work.
        if self.held(&output).is_none_or(Hold::is_releasing) {
            return self.reply(Reply::Refused { problem: super::hold_scope::not_held(output) });
        }
        self.conductor.extend(now, &output, config::hold(&self.description, &intent).at_most);
        self.intents.insert(output.clone(), intent);
        let until = self.held(&output).map_or(now, Hold::window_end);
        self.journal.event(now, Event::HoldExtended { output, until });
        self.reply(Reply::Engaged { until });
    }
}

/// Nothing is taken over while nobody answers.
pub(super) fn link_is_down() -> Problem {
    Problem::new(ProblemKind::Link, Place::Wire, "the link is down", "wait for the link first")
}
