//! The hold ledger on disk, as the driver sees it.

use std::collections::{BTreeSet, VecDeque};
use std::sync::mpsc::{Sender, channel};
use std::task::{Context, Poll};
use std::thread::{Builder, JoinHandle};

use car::Description;
use clock::Clock;
use link::{Intent, Ledger};
use model::{Moment, OutputId, Place, Problem, ProblemKind, StationId};
use record::{HoldLedger, LedgerEntry, Outstanding};
use tokio::sync::mpsc::error::SendError;
use tokio::sync::mpsc::{UnboundedReceiver, unbounded_channel};

/// What the ledger is asked for.
enum Ask {
    Intend(Box<LedgerEntry>),
    Cleared(OutputId),
}

/// The ledger with what a start releases.
struct Book {
    ledger: HoldLedger,
    /// What was left behind and is not back yet. An unreadable line may hide any of it, so it stays until this is
    /// empty.
    left: BTreeSet<OutputId>,
}

impl Book {
    fn new(ledger: HoldLedger, left: &[Intent]) -> Self {
        Self { ledger, left: left.iter().map(|intent| intent.output.clone()).collect() }
    }

    /// Does one thing after another, each synced before the next.
    fn write(&mut self, ask: Ask) -> Result<(), Problem> {
        match ask {
            Ask::Intend(entry) => self.ledger.intend(*entry),
            Ask::Cleared(output) => {
                self.ledger.cleared(&output)?;
                self.left.remove(&output);
                if self.left.is_empty() { self.ledger.cleared_unreadable() } else { Ok(()) }
            }
        }
    }
}

/// Where the writing is done.
enum Desk {
    /// On the thread that asks, while it asks: a rehearsal's clock stands still meanwhile.
    Here { book: Box<Book>, done: VecDeque<Result<(), Problem>> },
    /// On a thread of its own: a disk that takes its time must not take the wire's.
    Beside {
        asks: Option<Sender<Ask>>,
        done: UnboundedReceiver<Result<(), Problem>>,
        thread: Option<JoinHandle<()>>,
    },
}

/// The ledger on disk.
pub struct DiskLedger {
    desk: Desk,
    clock: Clock,
}

impl std::fmt::Debug for DiskLedger {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str("DiskLedger")
    }
}

impl DiskLedger {
    /// The ledger of a station, written on the thread that asks. `left` is what the start releases.
    pub fn here(ledger: HoldLedger, left: &[Intent], clock: Clock) -> Self {
        Self { desk: Desk::Here { book: Box::new(Book::new(ledger, left)), done: VecDeque::new() }, clock }
    }

    /// The same, written on a thread of its own; where the system gives none, on the thread that asks: what was left
    /// behind must be released all the same. Dropped, it first finishes what it was asked for.
    pub fn beside(ledger: HoldLedger, left: &[Intent], clock: Clock) -> Self {
        let (asks, asked) = channel();
        let (tell, done) = unbounded_channel();
        // Handed over once there is a thread: one that cannot start would take it along.
        let (give, given) = channel::<Book>();
        let work = move || {
            let Ok(mut book) = given.recv() else { return };
            while let Ok(ask) = asked.recv() {
                if let Err(SendError(Err(problem))) = tell.send(book.write(ask)) {
                    tracing::error!(%problem, "the ledger of holds, after the run");
                }
            }
        };
        let thread = match Builder::new().name("ledger".into()).spawn(work) {
            Ok(thread) => thread,
            Err(error) => {
                tracing::error!(%error, "the ledger has no thread of its own");
                return Self::here(ledger, left, clock);
            }
        };
        give.send(Book::new(ledger, left)).expect("the thread begins by taking it");
        Self { desk: Desk::Beside { asks: Some(asks), done, thread: Some(thread) }, clock }
    }

    fn ask(&mut self, ask: Ask) {
        match &mut self.desk {
            Desk::Here { book, done } => done.push_back(book.write(ask)),
            // A thread that is gone says so when it is asked for the outcome.
            Desk::Beside { asks, .. } => {
                if let Some(asks) = asks {
                    asks.send(ask).ok();
                }
            }
        }
    }
}

impl Ledger for DiskLedger {
    fn intend(&mut self, now: Moment, intent: &Intent) {
        let anchor = self.clock.anchor();
        self.ask(Ask::Intend(Box::new(LedgerEntry {
            output: intent.output.clone(),
            value: intent.value.clone(),
            engage: intent.engage.clone(),
            release: intent.release.clone(),
            at_most: intent.at_most,
            controller_timeout: intent.controller_timeout,
            at_utc_nanos: anchor.utc_nanos + now.since(anchor.at).0,
        })));
    }

    fn cleared(&mut self, output: &OutputId) {
        self.ask(Ask::Cleared(output.clone()));
    }

    fn poll_done(&mut self, context: &mut Context<'_>) -> Poll<Result<(), Problem>> {
        match &mut self.desk {
            Desk::Here { done, .. } => done.pop_front().map_or(Poll::Pending, Poll::Ready),
            Desk::Beside { done, .. } => {
                done.poll_recv(context).map(|outcome| outcome.unwrap_or_else(|| Err(gone())))
            }
        }
    }
}

impl Drop for DiskLedger {
    fn drop(&mut self) {
        if let Desk::Beside { asks, thread, .. } = &mut self.desk {
            drop(asks.take());
            if thread.take().is_some_and(|thread| thread.join().is_err()) {
                tracing::error!("the ledger's thread panicked");
            }
        }
    }
}

fn gone() -> Problem {
    let seen = "the ledger's thread is gone";
    Problem::new(
        ProblemKind::Program,
        Place::Program,
        seen,
        "switch the key off, start again, and report this fault",
    )
}

/// The name under which a station keeps the ledger of one car. One ledger a car: the bytes that release one car's
/// output must never be said to another that happens to be plugged in next.
pub fn name(station: &StationId, car: &str) -> Result<StationId, Problem> {
    let whole = format!("{station}-{car}");
    // A name too long for an id keeps its beginning and is told apart by a digest of the whole.
    let short = match whole.get(..40) {
        Some(begin) if whole.len() > 64 => format!("{begin}-{}", &crate::load::sha256(&whole)[..16]),
        _ => whole,
    };
    StationId::new(&short).map_err(|error| {
        let place = Place::Argument { name: "car".into() };
        Problem::new(ProblemKind::Description, place, error.to_string(), "give the description a plain name")
    })
}

/// What a start must release: what the ledger says, and every output of the description where a line of it
/// cannot be read.
pub fn left_behind(outstanding: &[Outstanding], description: &Description) -> Vec<Intent> {
    let mut intents: Vec<Intent> = Vec::new();
    for one in outstanding {
        let found = match one {
            Outstanding::Entry(entry) => vec![Intent {
                output: entry.output.clone(),
                value: entry.value.clone(),
                engage: entry.engage.clone(),
                release: entry.release.clone(),
                at_most: entry.at_most,
                controller_timeout: entry.controller_timeout,
            }],
            Outstanding::Unreadable { .. } => {
                description.outputs.iter().map(|o| of_output(o, description)).collect()
            }
        };
        for intent in found {
            if !intents.iter().any(|known| known.output == intent.output) {
                intents.push(intent);
            }
        }
    }
    intents
}

fn of_output(output: &car::Output, description: &Description) -> Intent {
    let timeout = match description.link.controller_timeout {
        car::ControllerTimeout::After(timeout) => Some(timeout),
        car::ControllerTimeout::Never => None,
    };
    let value = output.value_of(output.counts().0);
    Intent {
        output: output.id.clone(),
        engage: output.engage_bytes(&value).unwrap_or_default(),
        value,
        release: output.release_bytes().to_vec(),
        at_most: output.longest_hold,
        controller_timeout: timeout,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn entry() -> (StationId, Intent) {
        let output = OutputId::new("valve").unwrap();
        let value = model::Quantity::new(3.0, model::Unit::new("{step}").unwrap());
        let at_most = model::Span::from_secs(5);
        let intent =
            Intent { output, value, engage: vec![1], release: vec![0], at_most, controller_timeout: None };
        (StationId::new("bench").unwrap(), intent)
    }

    #[test]
    fn beside_the_wire_it_writes_what_it_was_asked_for_in_that_order_and_before_it_is_gone() {
        let folder = tempfile::tempdir().unwrap();
        let clock = Clock::real();
        let (station, intent) = entry();
        let open = || HoldLedger::open(folder.path(), &station).unwrap();
        let mut ledger = DiskLedger::beside(open().0, &[], clock.clone());
        ledger.intend(clock.now(), &intent);
        let done = |ledger: &mut DiskLedger| {
            clock::block_on(std::future::poll_fn(|context| ledger.poll_done(context))).unwrap()
        };
        done(&mut ledger).unwrap();
        ledger.intend(clock.now(), &intent);
        assert!(done(&mut ledger).unwrap_err().seen.contains("already"), "it is in there once");
        drop(ledger);
        let (again, outstanding) = open();
        assert!(matches!(outstanding.as_slice(), [Outstanding::Entry(e)] if e.output == intent.output));
        let mut ledger = DiskLedger::beside(again, std::slice::from_ref(&intent), clock);
        ledger.cleared(&intent.output);
        // Nobody asks for the outcome; it is written all the same.
        drop(ledger);
        assert!(open().1.is_empty());
    }

    #[test]
    fn an_unreadable_line_stays_until_everything_that_it_may_hide_is_back() {
        let folder = tempfile::tempdir().unwrap();
        let clock = Clock::real();
        let (station, one) = entry();
        let other = Intent { output: OutputId::new("fan").unwrap(), ..one.clone() };
        let open = || HoldLedger::open(folder.path(), &station).unwrap();
        drop(open());
        let file = folder.path().join(".ledger").join(format!("{station}.jsonl"));
        std::fs::write(&file, "{\"crc32\":\"torn").unwrap();
        let mut ledger = DiskLedger::here(open().0, &[one.clone(), other.clone()], clock.clone());
        ledger.cleared(&one.output);
        drop(ledger);
        assert_eq!(open().1.len(), 1, "the other one may still be held");
        let mut ledger = DiskLedger::here(open().0, &[one.clone(), other.clone()], clock);
        ledger.cleared(&one.output);
        ledger.cleared(&other.output);
        drop(ledger);
        assert!(open().1.is_empty());
    }

    #[test]
    fn each_car_has_its_own_ledger_however_long_its_name() {
        let station = StationId::new("bench").unwrap();
        let long = "x".repeat(63);
        let names =
            ["bench-car", "other", &long, &format!("{long}y")].map(|car| name(&station, car).unwrap());
        for (i, one) in names.iter().enumerate() {
            assert!(names[i + 1..].iter().all(|other| other != one));
        }
        assert!(name(&station, "../x").is_err());
    }
}
