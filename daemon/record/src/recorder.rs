//! A thread that writes a session, behind a bounded queue that loses nothing on its own.

use std::sync::mpsc::{Receiver, SyncSender, sync_channel};
use std::sync::{Arc, OnceLock};
use std::thread::{Builder, JoinHandle};

use model::{Ending, EventEnvelope, Exchange, Gap, Moment, Place, Problem, ProblemKind, Sample};

use crate::writer::{ClosedSession, SessionWriter};

/// Called once with the result of a sync, on the recorder's thread: it must be quick and must not block.
pub type SyncReply = Box<dyn FnOnce(Result<(), Problem>) + Send>;

/// What can be handed to a recorder.
pub enum Entry {
    /// A sample.
    Sample(Sample),
    /// A reading that did not come.
    Gap(Gap),
    /// What was said on the wire, where a trace of it is wanted.
    Exchange(Exchange),
    /// An event.
    Event(EventEnvelope),
    /// Nothing but the time: lets a due sync happen while nothing else comes.
    Tick(Moment),
    /// Sync everything handed over before, then call back.
    Sync(SyncReply),
}

impl std::fmt::Debug for Entry {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Self::Sample(sample) => f.debug_tuple("Sample").field(sample).finish(),
            Self::Gap(gap) => f.debug_tuple("Gap").field(gap).finish(),
            Self::Exchange(exchange) => f.debug_tuple("Exchange").field(exchange).finish(),
            Self::Event(event) => f.debug_tuple("Event").field(event).finish(),
            Self::Tick(now) => f.debug_tuple("Tick").field(now).finish(),
            Self::Sync(_) => f.write_str("Sync"),
        }
    }
}

#[expect(clippy::large_enum_variant, reason = "nearly every message is an entry, and the queue is made once")]
enum Message {
    Entry(Entry),
    Finish(Ending),
    Abandon,
}

/// Owns the thread. Dropped without [`Recorder::finish`] it syncs what it was given and leaves the journal to
/// the next start.
pub struct Recorder {
    handle: RecorderHandle,
    thread: Option<JoinHandle<Result<Option<ClosedSession>, Problem>>>,
}

/// Hands entries to a recorder.
#[derive(Clone)]
pub struct RecorderHandle {
    queue: SyncSender<Message>,
    problem: Arc<OnceLock<Problem>>,
}

impl RecorderHandle {
    /// Hands an entry over without waiting. `false` when the queue is full or the recorder can take nothing
    /// more: the caller counts the entry as lost. The reply of a refused sync is never called.
    #[must_use = "a refused entry is lost and must be counted"]
    pub fn try_record(&self, entry: Entry) -> bool {
        self.problem.get().is_none() && self.queue.try_send(Message::Entry(entry)).is_ok()
    }

    /// Hands an entry over and waits for room: for rehearsals, where the clock stands still meanwhile.
    /// `false` when the recorder can take nothing more.
    #[must_use = "a refused entry is lost and must be counted"]
    pub fn record_blocking(&self, entry: Entry) -> bool {
        self.problem.get().is_none() && self.queue.send(Message::Entry(entry)).is_ok()
    }

    /// Syncs everything handed over before and waits for it.
    pub fn sync_blocking(&self) -> Result<(), Problem> {
        let (reply, answer) = sync_channel(1);
        let sent = self.record_blocking(Entry::Sync(Box::new(move |result| {
            // The other end waits for as long as this call can be made.
            reply.send(result).ok();
        })));
        if !sent {
            return Err(self.problem.get().cloned().unwrap_or_else(gone));
        }
        answer.recv().unwrap_or_else(|_| Err(gone()))
    }

    /// What stopped the recording, if anything did.
    pub fn problem(&self) -> Option<Problem> {
        self.problem.get().cloned()
    }
}

impl Recorder {
    /// Starts the thread, with room for `capacity` entries in its queue (at least one).
    pub fn start(writer: SessionWriter, capacity: usize) -> Result<Self, Problem> {
        let (queue, entries) = sync_channel(capacity.max(1));
        let problem = Arc::new(OnceLock::new());
        let handle = RecorderHandle { queue, problem: problem.clone() };
        let thread = Builder::new().name("recorder".into()).spawn(move || run(writer, &entries, &problem));
        let thread = thread.map_err(|e| {
            let seen = format!("the recorder's thread cannot be started: {e}");
            Problem::new(
                ProblemKind::Record,
                Place::Program,
                seen,
                "free memory or raise the limit of threads",
            )
        })?;
        Ok(Self { handle, thread: Some(thread) })
    }

    /// A handle for whoever records.
    pub fn handle(&self) -> RecorderHandle {
        self.handle.clone()
    }

    /// Closes the session after everything handed over before, and ends the thread. Handles that are left
    /// refuse from then on.
    pub fn finish(mut self, ending: Ending) -> Result<ClosedSession, Problem> {
        // A thread that is gone says why when joined.
        self.handle.queue.send(Message::Finish(ending)).ok();
        match self.join() {
            Some(Ok(Some(closed))) => Ok(closed),
            Some(Err(problem)) => Err(problem),
            Some(Ok(None)) | None => Err(gone()),
        }
    }

    fn join(&mut self) -> Option<Result<Option<ClosedSession>, Problem>> {
        self.thread.take().map(|thread| thread.join().unwrap_or_else(|_| Err(gone())))
    }
}

impl Drop for Recorder {
    fn drop(&mut self) {
        if self.thread.is_some() {
            // When the thread is gone already there is nobody to tell.
            self.handle.queue.send(Message::Abandon).ok();
            if let Some(Err(problem)) = self.join() {
                tracing::error!(%problem, "a recording was given up");
            }
        }
    }
}

fn gone() -> Problem {
    let cure = "start again: the journal is closed at the next start";
    Problem::new(ProblemKind::Program, Place::Program, "the recorder's thread is gone", cure)
}

fn run(
    mut writer: SessionWriter,
    entries: &Receiver<Message>,
    problem: &OnceLock<Problem>,
) -> Result<Option<ClosedSession>, Problem> {
    while let Ok(message) = entries.recv() {
        match message {
            Message::Entry(Entry::Sample(sample)) => {
                writer.sample(&sample);
                writer.tick(sample.at);
            }
            Message::Entry(Entry::Gap(gap)) => {
                writer.gap(&gap);
                writer.tick(gap.at + gap.half);
            }
            Message::Entry(Entry::Exchange(exchange)) => {
                writer.exchange(&exchange);
                writer.tick(exchange.at + exchange.took);
            }
            Message::Entry(Entry::Event(event)) => {
                writer.event(&event);
                writer.tick(event.at);
            }
            Message::Entry(Entry::Tick(now)) => writer.tick(now),
            Message::Entry(Entry::Sync(reply)) => reply(writer.sync()),
            Message::Finish(ending) => return writer.close(ending).map(Some),
            Message::Abandon => break,
        }
        if let Some(seen) = writer.problem() {
            problem.get_or_init(|| seen.clone());
        }
    }
    writer.sync().map(|()| None)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::archive::{Archive, RecoveryOutcome};
    use crate::read::read_session;
    use crate::testing::{event, head, sample};

    #[test]
    fn everything_handed_over_is_in_the_closed_session() {
        let folder = tempfile::tempdir().unwrap();
        let (archive, _) = Archive::open(folder.path()).unwrap();
        let recorder = Recorder::start(archive.begin(head("s1")).unwrap(), 4).unwrap();
        let handle = recorder.handle();
        for i in 0..500 {
            assert!(handle.record_blocking(Entry::Sample(sample("rpm", i * 1_000_000, i))));
        }
        assert!(handle.record_blocking(Entry::Event(event("s1", 1, 500_000_000, "done"))));
        handle.sync_blocking().unwrap();
        let closed = recorder.finish(Ending::Passed).unwrap();
        assert_eq!((closed.samples, closed.events), (500, 1));
        assert!(!handle.try_record(Entry::Tick(Moment(0))), "a finished recorder takes nothing");
        let session = read_session(&closed.path).unwrap();
        let raws: Vec<i64> = session.samples().unwrap().map(|s| s.unwrap().raw).collect();
        assert_eq!(raws, (0..500).collect::<Vec<_>>());
    }

    #[test]
    fn what_was_said_on_the_wire_is_in_the_journal_to_the_byte() {
        let folder = tempfile::tempdir().unwrap();
        let (archive, _) = Archive::open(folder.path()).unwrap();
        let writer = archive.begin(head("s1")).unwrap();
        let journal = writer.path().join(crate::layout::JOURNAL);
        let recorder = Recorder::start(writer, 4).unwrap();
        let handle = recorder.handle();
        // More than one batch holds.
        let exchanges: Vec<Exchange> = (0..1_000)
            .map(|i| Exchange {
                at: Moment(i * 20_000_001),
                took: model::Span(9_000_007),
                request: vec![0x82, 0x11, 0xf1, 0x21, i as u8],
                answer: vec![i as u8; 40],
                fault: (i % 7 == 0).then_some(model::event::WireFault::Checksum),
            })
            .collect();
        for exchange in &exchanges {
            assert!(handle.record_blocking(Entry::Exchange(exchange.clone())));
            assert!(handle.record_blocking(Entry::Sample(sample("rpm", exchange.at.0, 34))));
        }
        handle.sync_blocking().unwrap();
        let bytes = std::fs::read(journal).unwrap();
        let found = crate::journal::find_head(&bytes[..]).unwrap().unwrap();
        let mut reader = crate::journal::JournalReader::new(&bytes[..], &found);
        let (mut read, mut rows) = (Vec::new(), 0);
        while let Some(frame) = reader.next().unwrap() {
            match frame {
                crate::journal::Frame::Exchanges(some) => read.extend(some),
                crate::journal::Frame::Samples(some) => rows += some.len(),
                other => panic!("{other:?}"),
            }
        }
        assert_eq!(reader.finish(), None);
        assert_eq!((read, rows), (exchanges, 1_000));
        assert_eq!(recorder.finish(Ending::Passed).unwrap().samples, 1_000);
    }

    #[test]
    fn a_full_queue_refuses_and_what_it_took_is_kept() {
        let folder = tempfile::tempdir().unwrap();
        let (archive, _) = Archive::open(folder.path()).unwrap();
        let recorder = Recorder::start(archive.begin(head("s1")).unwrap(), 2).unwrap();
        let handle = recorder.handle();
        // The reply holds the thread until the test lets go, so that the queue must fill.
        let (held, hold) = sync_channel::<()>(0);
        assert!(handle.try_record(Entry::Sync(Box::new(move |_| {
            hold.recv().ok();
        }))));
        let mut taken = 0;
        while handle.try_record(Entry::Sample(sample("rpm", taken, taken))) {
            taken += 1;
            assert!(taken <= 3, "a queue of two and the one entry at work");
        }
        drop(held);
        assert!(taken >= 1);
        assert_eq!(recorder.finish(Ending::Passed).unwrap().samples, taken as u64);
    }

    #[test]
    fn dropped_it_leaves_a_journal_that_the_next_start_closes() {
        let folder = tempfile::tempdir().unwrap();
        let (archive, _) = Archive::open(folder.path()).unwrap();
        let recorder = Recorder::start(archive.begin(head("s1")).unwrap(), 8).unwrap();
        assert!(recorder.handle().record_blocking(Entry::Sample(sample("rpm", 1, 2))));
        drop(recorder);
        let (_, recovered) = Archive::open(folder.path()).unwrap();
        let [one] = recovered.as_slice() else { panic!("{recovered:?}") };
        let RecoveryOutcome::Closed { closed, cut: None } = &one.outcome else { panic!("{one:?}") };
        assert_eq!(closed.samples, 1);
    }
}
