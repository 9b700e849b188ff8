//! The keeper, as the driver sees it: beside the wire on a thread of its own, or where the driver is in a rehearsal.

use std::cell::RefCell;
use std::collections::BTreeSet;
use std::rc::Rc;
use std::sync::mpsc::{Receiver, SyncSender, TrySendError, sync_channel};
use std::thread::{Builder, JoinHandle};

use link::Sink;
use model::{
    ChannelId, Ending, Event, EventEnvelope, Exchange, Gap, Moment, Place, Problem, ProblemKind, Sample,
};

use super::keeper::{Keeper, Kepts};
use super::plan::CapturePlan;
use super::status::Status;
use crate::sides::missed::Missed;

/// Records between driver and keeper: at the fastest wire more than a minute.
const QUEUE: usize = 65_536;

/// Something for the keeper.
enum Handed {
    Sample(Sample),
    Gap(Gap),
    Exchange(Box<Exchange>),
    Event(Moment, Box<Event>),
    Tick(Moment),
    Finish(Moment, Ending, String),
}

/// The keeper's thread.
pub(super) struct KeeperThread {
    queue: SyncSender<Handed>,
    thread: JoinHandle<Option<Kepts>>,
}

impl KeeperThread {
    /// Gives a keeper a thread.
    pub(super) fn start(keeper: Keeper) -> Result<Self, Problem> {
        let (queue, handed) = sync_channel(QUEUE);
        let thread = Builder::new().name("keeper".into()).spawn(move || keep(keeper, &handed));
        let thread = thread.map_err(|error| {
            let seen = format!("the keeper's thread cannot be started: {error}");
            let cure = "free memory or raise the limit of threads";
            Problem::new(ProblemKind::Program, Place::Program, seen, cure)
        })?;
        Ok(Self { queue, thread })
    }

    /// Tells it what time it is, as often as this is called.
    pub(super) fn ticker(&self) -> Box<dyn FnMut(Moment)> {
        let queue = self.queue.clone();
        Box::new(move |now| {
            // One that finds no room is followed by another.
            queue.try_send(Handed::Tick(now)).ok();
        })
    }

    /// The driver's side of it.
    pub(super) fn tape(&self, plan: &CapturePlan, status: Status) -> CaptureTape {
        CaptureTape::new(To::Beside(self.queue.clone()), plan, status)
    }

    /// Ends the capture after everything handed over before.
    pub(super) fn finish(self, at: Moment, ending: Ending, why: &str) -> Result<Kepts, Problem> {
        // A thread that is gone says so when it is joined.
        self.queue.send(Handed::Finish(at, ending, why.to_string())).ok();
        self.thread.join().ok().flatten().ok_or_else(gone)
    }
}

fn gone() -> Problem {
    let cure = "start again: what is not closed is closed at the next start";
    Problem::new(ProblemKind::Program, Place::Program, "the keeper's thread is gone", cure)
}

fn keep(mut keeper: Keeper, handed: &Receiver<Handed>) -> Option<Kepts> {
    while let Ok(one) = handed.recv() {
        match one {
            Handed::Sample(sample) => keeper.sample(&sample),
            Handed::Gap(gap) => keeper.gap(&gap),
            Handed::Exchange(exchange) => keeper.exchange(&exchange),
            Handed::Event(at, event) => keeper.event(at, *event),
            Handed::Tick(now) => keeper.tick(now),
            Handed::Finish(at, ending, why) => return Some(keeper.finish(at, ending, &why)),
        }
    }
    None
}

enum To {
    Here(Rc<RefCell<Keeper>>),
    Beside(SyncSender<Handed>),
}

/// The driver's side of a keeper.
pub(super) struct CaptureTape {
    to: To,
    recorded: BTreeSet<ChannelId>,
    traces: bool,
    status: Status,
    lost: u64,
    missed: Missed,
    /// Nobody takes anything any more.
    gone: bool,
    told_gone: bool,
}

impl CaptureTape {
    fn new(to: To, plan: &CapturePlan, status: Status) -> Self {
        Self::of(to, plan.recorded(), plan.about.wire_trace, status)
    }

    fn of(to: To, recorded: BTreeSet<ChannelId>, traces: bool, status: Status) -> Self {
        let missed = Missed::default();
        Self { to, recorded, traces, status, lost: 0, missed, gone: false, told_gone: false }
    }

    /// The side of a keeper in this thread.
    #[cfg_attr(
        not(feature = "bench-car"),
        expect(dead_code, reason = "only a rehearsal keeps in its own thread")
    )]
    pub(super) fn here(keeper: Rc<RefCell<Keeper>>, plan: &CapturePlan, status: Status) -> Self {
        Self::new(To::Here(keeper), plan, status)
    }

    fn hand(&mut self, one: Handed) {
        let To::Beside(queue) = &self.to else { return };
        // What found no room stands in the record as one gap for each channel, as soon as there is room again.
        self.missed.tell(|gap| queue.try_send(Handed::Gap(gap)).is_ok());
        let refused = match queue.try_send(one) {
            Ok(()) => return,
            Err(TrySendError::Full(one)) => one,
            Err(TrySendError::Disconnected(one)) => {
                self.gone = true;
                one
            }
        };
        self.lost += 1;
        self.status.lost(1);
        match refused {
            Handed::Sample(sample) => self.missed.row(sample.channel, sample.at, sample.time_uncertainty),
            Handed::Gap(gap) => self.missed.row(gap.channel, gap.at, gap.half),
            _ => {}
        }
    }
}

impl Drop for CaptureTape {
    fn drop(&mut self) {
        let To::Beside(queue) = &self.to else { return };
        // The wire is done with: there is time to wait for room.
        self.missed.tell(|gap| queue.send(Handed::Gap(gap)).is_ok());
    }
}

impl Sink for CaptureTape {
    fn sample(&mut self, sample: &Sample) {
        if !self.recorded.contains(&sample.channel) {
            return;
        }
        match &self.to {
            To::Here(keeper) => keeper.borrow_mut().sample(sample),
            To::Beside(_) => self.hand(Handed::Sample(sample.clone())),
        }
    }

    fn gap(&mut self, gap: &Gap) {
        if !self.recorded.contains(&gap.channel) {
            return;
        }
        match &self.to {
            To::Here(keeper) => keeper.borrow_mut().gap(gap),
            To::Beside(_) => self.hand(Handed::Gap(gap.clone())),
        }
    }

    fn event(&mut self, event: &EventEnvelope) {
        match &self.to {
            To::Here(keeper) => keeper.borrow_mut().event(event.at, event.event.clone()),
            To::Beside(_) => self.hand(Handed::Event(event.at, Box::new(event.event.clone()))),
        }
    }

    fn exchange(&mut self, exchange: &Exchange) {
        match &self.to {
            To::Here(keeper) => keeper.borrow_mut().exchange(exchange),
            To::Beside(_) => self.hand(Handed::Exchange(Box::new(exchange.clone()))),
        }
    }

    fn wants_exchanges(&self) -> bool {
        self.traces
    }

    fn lost(&mut self) -> u64 {
        let lost = std::mem::take(&mut self.lost);
        // Of a recording that has stopped nobody need be told again and again that it lacks what follows.
        if self.told_gone { 0 } else { lost }
    }

    fn stopped(&mut self) -> Option<Problem> {
        let news = self.gone && !self.told_gone;
        self.told_gone |= news;
        news.then(gone)
    }
}

#[cfg(test)]
mod tests {
    use model::{GapReason, Span};

    use super::super::testing::{at, reading};
    use super::*;

    #[test]
    fn rows_that_found_no_room_are_a_gap_as_soon_as_there_is_room_and_a_keeper_that_is_gone_is_told_once() {
        let (queue, handed) = sync_channel(2);
        let recorded = [ChannelId::new("rpm").unwrap()].into();
        let status = Status::default();
        let mut tape = CaptureTape::of(To::Beside(queue), recorded, false, status.clone());
        (0..6).for_each(|i| tape.sample(&reading(i)));
        assert_eq!((tape.lost(), tape.stopped(), status.counts()), (4, None, (0, 0, 4)));
        assert_eq!(handed.try_iter().count(), 2);
        tape.sample(&reading(6));
        let [Handed::Gap(gap), Handed::Sample(sample)] = &handed.try_iter().collect::<Vec<_>>()[..] else {
            panic!("a gap, then what came after it")
        };
        let milli = Span::from_millis(1);
        assert_eq!(
            (gap.why, gap.at - gap.half, gap.at + gap.half),
            (GapReason::Lost, at(2) - milli, at(5) + milli)
        );
        assert_eq!((sample, tape.lost()), (&reading(6), 0));

        drop(handed);
        tape.sample(&reading(7));
        assert_eq!(tape.stopped(), Some(gone()));
        assert_eq!((tape.lost(), tape.stopped()), (0, None));
    }
}
