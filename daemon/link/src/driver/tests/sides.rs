//! Stand-ins for everyone the driver talks to besides the wire.

use std::collections::{BTreeMap, VecDeque};
use std::pin::Pin;
use std::sync::{Arc, Mutex};
use std::task::{Context, Poll};

use clock::Clock;
use model::{
    Event, EventEnvelope, Exchange, Gap, Moment, OutputId, Place, Problem, ProblemKind, Sample, Span,
};

use super::trail::{Mark, Trail};
use crate::{Intent, Ledger, Live, Operator, Sink, Viewer};

/// What was recorded.
#[derive(Debug, Default)]
pub(super) struct Recorded {
    pub(super) samples: Vec<Sample>,
    pub(super) gaps: Vec<Gap>,
    pub(super) exchanges: Vec<Exchange>,
    pub(super) events: Vec<EventEnvelope>,
}

/// A recorder with room for so many samples between two events; it refuses the rest.
#[derive(Debug, Clone)]
pub(super) struct Tape {
    pub(super) recorded: Arc<Mutex<Recorded>>,
    room: usize,
    since_event: usize,
    lost: u64,
    /// After how many samples its disk is full.
    pub(super) stops_after: Option<usize>,
    /// Whether it wants exchanges.
    pub(super) traces: bool,
    /// How many it refused in all.
    pub(super) refused: Arc<Mutex<u64>>,
}

impl Tape {
    pub(super) fn new(room: usize) -> Self {
        Self {
            recorded: Arc::default(),
            room,
            since_event: 0,
            lost: 0,
            stops_after: None,
            traces: false,
            refused: Arc::default(),
        }
    }
}

impl Sink for Tape {
    fn sample(&mut self, sample: &Sample) {
        self.since_event += 1;
        self.stops_after = self.stops_after.map(|left| left.saturating_sub(1));
        if self.since_event > self.room {
            self.lost += 1;
            *self.refused.lock().unwrap() += 1;
            return;
        }
        self.recorded.lock().unwrap().samples.push(sample.clone());
    }

    fn gap(&mut self, gap: &Gap) {
        self.recorded.lock().unwrap().gaps.push(gap.clone());
    }

    fn exchange(&mut self, exchange: &Exchange) {
        self.recorded.lock().unwrap().exchanges.push(exchange.clone());
    }

    fn wants_exchanges(&self) -> bool {
        self.traces
    }

    fn event(&mut self, event: &EventEnvelope) {
        self.since_event = 0;
        self.recorded.lock().unwrap().events.push(event.clone());
    }

    fn lost(&mut self) -> u64 {
        std::mem::take(&mut self.lost)
    }

    fn stopped(&mut self) -> Option<Problem> {
        self.stops_after.take_if(|left| *left == 0)?;
        Some(full_disk())
    }
}

/// What a recorder says whose disk is full.
pub(super) fn full_disk() -> Problem {
    Problem::new(ProblemKind::Record, Place::Path { path: "journal".into() }, "no room", "make room")
}

/// A ledger in memory.
pub(super) struct Book {
    pub(super) open: Arc<Mutex<BTreeMap<OutputId, Intent>>>,
    trail: Trail,
    works: bool,
    /// Whether it can strike anything out.
    pub(super) strikes: bool,
    /// How long the disk takes, and the clock that it takes it by.
    slow: Option<(Clock, Span)>,
    at_work: Option<Pin<Box<dyn Future<Output = ()>>>>,
    asked: VecDeque<Entry>,
}

/// Something the book was asked for: an intent, or that an output is struck out.
enum Entry {
    Intent(Intent),
    Cleared(OutputId),
}

impl Book {
    pub(super) fn new(trail: Trail, works: bool, slow: Option<(Clock, Span)>) -> Self {
        Self {
            open: Arc::default(),
            trail,
            works,
            strikes: true,
            slow,
            at_work: None,
            asked: VecDeque::new(),
        }
    }

    fn write(&mut self, entry: Entry) -> Result<(), Problem> {
        match entry {
            Entry::Intent(intent) => {
                self.trail.push(Mark::Intended(intent.output.clone(), self.works));
                if !self.works {
                    let place = Place::Path { path: "holds.ledger".into() };
                    let (seen, cure) = ("the disk is full", "make room on it");
                    return Err(Problem::new(ProblemKind::Record, place, seen, cure));
                }
                self.open.lock().unwrap().insert(intent.output.clone(), intent);
            }
            Entry::Cleared(_) if !self.strikes => {
                let place = Place::Path { path: "holds.ledger".into() };
                return Err(Problem::new(ProblemKind::Record, place, "the disk is full", "make room on it"));
            }
            Entry::Cleared(output) => {
                self.trail.push(Mark::Cleared(output.clone()));
                self.open.lock().unwrap().remove(&output);
            }
        }
        Ok(())
    }
}

impl Ledger for Book {
    fn intend(&mut self, _: Moment, intent: &Intent) {
        self.asked.push_back(Entry::Intent(intent.clone()));
    }

    fn cleared(&mut self, output: &OutputId) {
        self.asked.push_back(Entry::Cleared(output.clone()));
    }

    fn poll_done(&mut self, context: &mut Context<'_>) -> Poll<Result<(), Problem>> {
        if let Some((clock, takes)) = &self.slow {
            let (clock, due) = (clock.clone(), clock.now() + *takes);
            let work =
                self.at_work.get_or_insert_with(|| Box::pin(async move { clock.sleep_until(due).await }));
            std::task::ready!(work.as_mut().poll(context));
            self.at_work = None;
        }
        let first = self.asked.pop_front().expect("it is asked only while something is under way");
        Poll::Ready(self.write(first))
    }
}

impl Drop for Book {
    fn drop(&mut self) {
        // What was handed over is written, also when nobody waits for it any more.
        while let Some(entry) = self.asked.pop_front() {
            self.write(entry).ok();
        }
    }
}

/// A person who answers everything after a fixed time, or never.
#[derive(Debug, Clone, Default)]
pub(super) struct Hands {
    pub(super) takes: Option<Span>,
    pub(super) called: Arc<Mutex<Vec<String>>>,
    /// They answer at a moment of which nobody knows beforehand, by this clock.
    pub(super) unforeseen: Option<Clock>,
    /// What they say beside any question, and when.
    pub(super) says: VecDeque<(Moment, String)>,
    answer_at: Option<Moment>,
    alarm: Alarm,
}

/// Wakes whoever waits for an answer that nobody foresees.
#[derive(Default)]
struct Alarm(Option<Pin<Box<dyn Future<Output = ()>>>>);

impl Clone for Alarm {
    fn clone(&self) -> Self {
        Self(None)
    }
}

impl std::fmt::Debug for Alarm {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str("Alarm")
    }
}

impl Hands {
    pub(super) fn that_take(takes: Span) -> Self {
        Self { takes: Some(takes), ..Self::default() }
    }
}

impl Operator for Hands {
    fn caution(&mut self, _: Moment, _: &[String]) {}

    fn remark(&mut self, _: Moment, _: &str) {}

    fn ask(&mut self, now: Moment, _: &str, _: &str, _: &str, _: &model::Wanted) {
        self.answer_at = self.takes.map(|takes| now + takes);
    }

    fn instruct(&mut self, _: Moment, _: &str, _: &str, _: &str) {}

    fn call(&mut self, _: Moment, text: &str) {
        self.called.lock().unwrap().push(text.to_string());
    }

    fn answer(&mut self, now: Moment) -> Option<String> {
        self.answer_at.take_if(|at| *at <= now).map(|_| "done".to_string())
    }

    fn poll_answered(&mut self, context: &mut Context<'_>) -> Poll<()> {
        let (Some(clock), Some(at)) = (self.unforeseen.clone(), self.answer_at) else { return Poll::Pending };
        let alarm = self.alarm.0.get_or_insert_with(|| Box::pin(async move { clock.sleep_until(at).await }));
        std::task::ready!(alarm.as_mut().poll(context));
        self.alarm.0 = None;
        Poll::Ready(())
    }

    fn next_answer(&self) -> Option<Moment> {
        self.answer_at.filter(|_| self.unforeseen.is_none())
    }

    fn said(&mut self, now: Moment) -> Option<Event> {
        let (_, words) = self.says.pop_front_if(|(at, _)| *at <= now)?;
        Some(Event::Marked { words, how: "foretold".into() })
    }

    fn next_said(&self) -> Option<Moment> {
        self.says.front().map(|(at, _)| *at)
    }
}

/// A viewer that keeps what it was shown last.
#[derive(Debug, Clone, Default)]
pub(super) struct Window(pub(super) Arc<Mutex<Vec<(Moment, String)>>>);

impl Viewer for Window {
    fn show(&mut self, live: &Live<'_>) {
        self.0.lock().unwrap().push((live.now, live.waiting_for.to_string()));
    }
}

/// The events of a kind, in order.
pub(super) fn pick<T>(events: &[EventEnvelope], find: impl Fn(&Event) -> Option<T>) -> Vec<(Moment, T)> {
    events.iter().filter_map(|one| find(&one.event).map(|found| (one.at, found))).collect()
}
