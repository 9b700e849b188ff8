//! Whom the driver talks to besides the wire, as small traits: it does not know who records, shows, asks
//! people, or keeps the hold ledger.

use std::task::{Context, Poll};

use model::{
    Event, EventEnvelope, Exchange, Gap, Judgement, Moment, OutputId, Problem, Quantity, Sample, Span, Wanted,
};

/// Takes everything that is to be recorded, without ever making the driver wait in real time.
pub trait Sink {
    /// A sample.
    fn sample(&mut self, sample: &Sample);
    /// A reading that did not come.
    fn gap(&mut self, gap: &Gap);
    /// An event.
    fn event(&mut self, event: &EventEnvelope);
    /// One attempt at an exchange, as it was on the wire. Handed over only where [`Sink::wants_exchanges`].
    fn exchange(&mut self, _: &Exchange) {}
    /// Whether exchanges are wanted; asked once, before the first. Where nobody wants them nothing is copied.
    fn wants_exchanges(&self) -> bool {
        false
    }
    /// How many records were lost since this was last asked.
    fn lost(&mut self) -> u64 {
        0
    }
    /// What stopped the recording; told once, and no record is counted as lost after it.
    fn stopped(&mut self) -> Option<Problem> {
        None
    }
}

/// A hold that is about to engage, as the ledger keeps it.
#[derive(Debug, Clone, PartialEq)]
pub struct Intent {
    /// Which output.
    pub output: OutputId,
    /// At what value.
    pub value: Quantity,
    /// The request that engages it.
    pub engage: Vec<u8>,
    /// The request that releases it.
    pub release: Vec<u8>,
    /// The longest time it may be held.
    pub at_most: Span,
    /// After how long without a request the controller lets go by itself.
    pub controller_timeout: Option<Span>,
}

/// The hold ledger: what a restart must release. It may take its time, because a disk does; it is asked for one
/// thing after another and does them in that order.
pub trait Ledger {
    /// Has an intent written down. It is safe on disk when [`Ledger::poll_done`] has said so; on an error the hold
    /// does not engage.
    fn intend(&mut self, now: Moment, intent: &Intent);
    /// Has an output struck out: it is known to be back.
    fn cleared(&mut self, output: &OutputId);
    /// Ready with the outcome of the first thing asked for whose outcome has not been given yet; pending, with the
    /// waker noted, while that is under way. Asked only while something is.
    fn poll_done(&mut self, context: &mut Context<'_>) -> Poll<Result<(), Problem>>;
}

/// The person at the car, or simulated hands.
pub trait Operator {
    /// Shows the cautions.
    fn caution(&mut self, now: Moment, lines: &[String]);
    /// Shows a line.
    fn remark(&mut self, now: Moment, text: &str);
    /// Asks for an act, and for an answer of this kind.
    fn ask(&mut self, now: Moment, act: &str, target: &str, words: &str, wanted: &Wanted);
    /// Shows what to do; nothing is answered, because the car will show it.
    fn instruct(&mut self, now: Moment, act: &str, target: &str, words: &str);
    /// Calls somebody who may have walked away.
    fn call(&mut self, now: Moment, text: &str);
    /// The answer to what was asked last, once there is one.
    fn answer(&mut self, now: Moment) -> Option<String>;
    /// What was asked last is no longer waited for, though nothing was answered.
    fn given_up(&mut self, _: Moment) {}
    /// Ready when an answer may be there; pending, with the waker noted, otherwise. For answers that come from
    /// outside at any time.
    fn poll_answered(&mut self, _: &mut Context<'_>) -> Poll<()> {
        Poll::Pending
    }
    /// When an answer may be there without any waker.
    fn next_answer(&self) -> Option<Moment>;
    /// What they said beside any question since this was last asked, as the event to record: a mark, a measurement.
    /// Never called between a question and its answer's coming in unless it was said beside it.
    fn said(&mut self, _: Moment) -> Option<Event> {
        None
    }
    /// Ready when something may have been said; pending, with the waker noted, otherwise. Once nothing more can be
    /// said it stays pending.
    fn poll_said(&mut self, _: &mut Context<'_>) -> Poll<()> {
        Poll::Pending
    }
    /// When something will be said without any waker, in a rehearsal.
    fn next_said(&self) -> Option<Moment> {
        None
    }
}

impl<O: Operator + ?Sized> Operator for Box<O> {
    fn caution(&mut self, now: Moment, lines: &[String]) {
        (**self).caution(now, lines);
    }

    fn remark(&mut self, now: Moment, text: &str) {
        (**self).remark(now, text);
    }

    fn ask(&mut self, now: Moment, act: &str, target: &str, words: &str, wanted: &Wanted) {
        (**self).ask(now, act, target, words, wanted);
    }

    fn instruct(&mut self, now: Moment, act: &str, target: &str, words: &str) {
        (**self).instruct(now, act, target, words);
    }

    fn call(&mut self, now: Moment, text: &str) {
        (**self).call(now, text);
    }

    fn answer(&mut self, now: Moment) -> Option<String> {
        (**self).answer(now)
    }

    fn given_up(&mut self, now: Moment) {
        (**self).given_up(now);
    }

    fn poll_answered(&mut self, context: &mut Context<'_>) -> Poll<()> {
        (**self).poll_answered(context)
    }

    fn next_answer(&self) -> Option<Moment> {
        (**self).next_answer()
    }

    fn said(&mut self, now: Moment) -> Option<Event> {
        (**self).said(now)
    }

    fn poll_said(&mut self, context: &mut Context<'_>) -> Poll<()> {
        (**self).poll_said(context)
    }

    fn next_said(&self) -> Option<Moment> {
        (**self).next_said()
    }
}

/// What is going on, for whoever shows it. Viewers get the latest and may miss what lies between.
#[derive(Debug, Clone)]
pub struct Live<'a> {
    /// The time.
    pub now: Moment,
    /// Whether the link is up.
    pub link_up: bool,
    /// What is waited for, in words.
    pub waiting_for: &'a str,
    /// What the judge says, while a gate waits.
    pub judgement: Option<&'a Judgement>,
    /// The last few readings of the first channel that the gate watches, oldest first, in its unit.
    pub recent: &'a [f64],
}

/// Shows what is going on.
pub trait Viewer {
    /// Shows it.
    fn show(&mut self, live: &Live<'_>);
}

/// Records nothing and shows nothing.
pub(crate) struct Nobody;

impl Sink for Nobody {
    fn sample(&mut self, _: &Sample) {}

    fn gap(&mut self, _: &Gap) {}

    fn event(&mut self, _: &EventEnvelope) {}
}

impl Viewer for Nobody {
    fn show(&mut self, _: &Live<'_>) {}
}
