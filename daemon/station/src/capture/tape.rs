//! The keeper, as the driver sees it: beside the wire on a thread of its own, or where the driver is in a rehearsal.

use std::cell::RefCell;
use std::collections::BTreeSet;
use std::rc::Rc;
use std::sync::mpsc::{Receiver, SyncSender, sync_channel};
use std::thread::{Builder, JoinHandle};

use link::Sink;
use model::{
    ChannelId, Ending, Event, EventEnvelope, Exchange, Gap, Moment, Place, Problem, ProblemKind, Sample,
};

use super::keeper::{Keeper, Kepts};
use super::plan::CapturePlan;
use super::status::Status;

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
        let gone = || {
            let cure = "start again: what is not closed is closed at the next start";
            Problem::new(ProblemKind::Program, Place::Program, "the keeper's thread is gone", cure)
        };
        // A thread that is gone says so when it is joined.
        self.queue.send(Handed::Finish(at, ending, why.to_string())).ok();
        self.thread.join().ok().flatten().ok_or_else(gone)
    }
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
}

impl CaptureTape {
    fn new(to: To, plan: &CapturePlan, status: Status) -> Self {
        Self { to, recorded: plan.recorded(), traces: plan.about.wire_trace, status, lost: 0 }
    }

    /// The side of a keeper in this thread.
    pub(super) fn here(keeper: Rc<RefCell<Keeper>>, plan: &CapturePlan, status: Status) -> Self {
        Self::new(To::Here(keeper), plan, status)
    }

    fn hand(&mut self, one: Handed) {
        let To::Beside(queue) = &self.to else { return };
        if queue.try_send(one).is_err() {
            self.lost += 1;
            self.status.lost(1);
        }
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
        std::mem::take(&mut self.lost)
    }
}
