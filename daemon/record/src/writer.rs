//! Writing a session while it runs.

use std::path::{Path, PathBuf};
use std::sync::Arc;

use model::{Ending, Event, EventEnvelope, Exchange, Gap, Moment, Problem, ProblemKind, Sample, Span};

use crate::close::close;
use crate::disk::{Disk, DiskFile, Lock, create_folders};
use crate::head::SessionHead;
use crate::journal::{FrameWriter, LONGEST_PAYLOAD, MOST_ROWS, RowWriter, TraceWriter};
use crate::layout::{JOURNAL, Layout};
use crate::problem::{argument, damaged, on_disk, place};
use crate::row::Row;

/// How much may be lost to a power cut unless somebody asks for a sync.
pub const DEFAULT_SYNC_INTERVAL: Span = Span::from_millis(250);

/// Rows or exchanges of a batch are written out at this size, whatever the time, to keep memory bounded.
const FULL_BATCH: usize = 16 << 10;
/// Finished frames are handed to the operating system at this size.
const FULL_BUFFER: usize = 64 << 10;

/// A session that lies in its place in the archive.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ClosedSession {
    /// Its folder.
    pub path: PathBuf,
    /// Readings in the table of samples.
    pub samples: u64,
    /// Rows of the table of events.
    pub events: u64,
    /// How it ended; absent when a crash ended it.
    pub ending: Option<Ending>,
    /// Bytes of all its files.
    pub bytes: u64,
}

/// Writes one running session to its journal.
///
/// What is handed over is safe from a crash of the program and of the machine once [`SessionWriter::sync`]
/// has returned well, or [`SessionWriter::tick`] has found a sync due and [`SessionWriter::problem`] is none.
/// After the first refusal of the disk nothing more is written: a disk that failed once to sync may have
/// thrown away what it was given, so writing on would leave a record with a hole that nobody sees.
pub struct SessionWriter {
    disk: Arc<dyn Disk>,
    layout: Layout,
    path: PathBuf,
    file: Box<dyn DiskFile>,
    frames: FrameWriter,
    rows: RowWriter,
    trace: TraceWriter,
    buffer: Vec<u8>,
    /// Bytes that were handed to the operating system.
    written: u64,
    unsynced: bool,
    interval: Span,
    last_sync: Option<Moment>,
    problem: Option<Problem>,
    lost: u64,
    head: SessionHead,
    lock: Lock,
}

impl SessionWriter {
    /// Begins a session whose head has been checked. Its journal, with the head in it, is synced on return.
    pub(crate) fn begin(
        disk: &Arc<dyn Disk>,
        layout: &Layout,
        head: SessionHead,
        interval: Span,
    ) -> Result<Self, Problem> {
        let session = head.session.as_str();
        let path = layout.open_session(session);
        let refuse = |at: &Path| {
            damaged(at, format!("there is a session '{session}' already"), "give the new session another id")
        };
        let step = |at: &Path, doing: &str| {
            let (at, doing) = (at.to_path_buf(), doing.to_owned());
            move |e: std::io::Error| on_disk(&at, &doing, &e)
        };
        create_folders(&**disk, layout.root(), &layout.open())
            .map_err(step(&layout.open(), "making the folder"))?;
        let lock_path = layout.session_lock(session);
        let lock =
            disk.lock(&lock_path).map_err(step(&lock_path, "locking"))?.ok_or_else(|| refuse(&lock_path))?;
        for taken in [&path, &layout.closed(&head)?] {
            if disk.exists(taken).map_err(step(taken, "looking for the folder"))? {
                return Err(refuse(taken));
            }
        }

        let made = Self::make(disk.clone(), layout, head, interval, path.clone(), lock);
        if made.is_err()
            && let Err(error) = disk.remove_folder(&path)
        {
            // With nothing half made in its way, the same name can be tried again once the disk works.
            tracing::warn!(%error, path = %path.display(), "a session that could not begin stays behind");
        }
        made
    }

    fn make(
        disk: Arc<dyn Disk>,
        layout: &Layout,
        head: SessionHead,
        interval: Span,
        path: PathBuf,
        lock: Lock,
    ) -> Result<Self, Problem> {
        let step = |at: &Path, doing: &str| {
            let (at, doing) = (at.to_path_buf(), doing.to_owned());
            move |e: std::io::Error| on_disk(&at, &doing, &e)
        };
        let mut buffer = Vec::new();
        let frames = FrameWriter::begin(head_json(&head)?, &mut buffer)
            .map_err(|e| argument("head", e.to_string(), "use fewer or shorter tags"))?;
        disk.create_folder(&path).map_err(step(&path, "making the folder"))?;
        disk.sync_folder(&layout.open()).map_err(step(&layout.open(), "syncing the folder"))?;
        let journal = path.join(JOURNAL);
        let file = disk.create(&journal).map_err(step(&journal, "making the journal"))?;
        disk.sync_folder(&path).map_err(step(&path, "syncing the folder"))?;
        let rows = RowWriter::new(&head);
        let mut writer = Self {
            disk,
            layout: layout.clone(),
            path,
            file,
            frames,
            rows,
            trace: TraceWriter::default(),
            buffer,
            written: 0,
            unsynced: true,
            interval,
            last_sync: None,
            problem: None,
            lost: 0,
            head,
            lock,
        };
        writer.sync()?;
        Ok(writer)
    }

    /// Takes one sample. Its time is kept to 10 µs, and its time uncertainty is widened to cover the true interval.
    pub fn sample(&mut self, sample: &Sample) {
        self.row(|rows| rows.sample(sample));
    }

    /// Takes one reading that did not come; its times are kept as a sample's are.
    pub fn gap(&mut self, gap: &Gap) {
        self.row(|rows| rows.gap(gap));
    }

    /// Takes a row as it was read back.
    pub(crate) fn take(&mut self, row: &Row) {
        match row {
            Row::Sample(sample) => self.sample(sample),
            Row::Gap(gap) => self.gap(gap),
        }
    }

    fn row(&mut self, put: impl FnOnce(&mut RowWriter)) {
        if self.problem.is_some() {
            self.lost += 1;
            return;
        }
        put(&mut self.rows);
        self.unsynced = true;
        if self.rows.len() >= FULL_BATCH || self.rows.rows() >= MOST_ROWS {
            self.close_batch();
        }
        self.flush_when_full();
    }

    /// Takes what was said on the wire, to the nanosecond and to the byte. One of more than 60 KiB, which no wire of a
    /// controller brings forth, is not recorded, and its loss is logged.
    pub fn exchange(&mut self, exchange: &Exchange) {
        if self.problem.is_some() {
            self.lost += 1;
            return;
        }
        if !self.trace.push(exchange) {
            self.lost += 1;
            let (request, answer) = (exchange.request.len(), exchange.answer.len());
            tracing::error!(request, answer, "an exchange is too long to be recorded");
            return;
        }
        self.unsynced = true;
        if self.trace.len() >= FULL_BATCH {
            self.close_batch();
        }
        self.flush_when_full();
    }

    /// Takes one event. One whose JSON would not read back (a number in it is not one) is recorded as a
    /// problem in its place, with that JSON in its words.
    pub fn event(&mut self, event: &EventEnvelope) {
        if self.problem.is_some() {
            self.lost += 1;
            return;
        }
        self.close_batch();
        let json = match readable_json(event) {
            Ok(json) => json,
            Err(why) => {
                let instead = EventEnvelope { event: Event::Problem { problem: why }, ..event.clone() };
                serde_json::to_vec(&instead).expect("a problem is texts alone")
            }
        };
        self.frames.event(&json, &mut self.buffer).expect("the length was checked");
        self.unsynced = true;
        self.flush_when_full();
    }

    /// Says what time it is; syncs when the interval is over and there is something to sync.
    pub fn tick(&mut self, now: Moment) {
        let last = *self.last_sync.get_or_insert(now);
        let passed = now.since(last);
        // A clock that went far back is a new clock; a little back is a reading whose middle lies before the end of
        // something told earlier.
        let anew = passed <= Span::ZERO - self.interval;
        if self.unsynced && (passed >= self.interval || anew) {
            self.last_sync = Some(now);
            // A refusal stays in `problem`.
            self.sync().ok();
        }
    }

    /// Returns once everything taken is on the medium.
    pub fn sync(&mut self) -> Result<(), Problem> {
        self.close_batch();
        self.flush();
        if self.problem.is_none() && self.unsynced {
            match self.file.sync() {
                Ok(()) => self.unsynced = false,
                Err(e) => self.fail("syncing the journal", &e),
            }
            self.look_after();
        }
        self.problem.clone().map_or(Ok(()), Err)
    }

    /// Ends the session: turns the journal into tables and puts them in their place. On an error the journal
    /// stays and the next start closes it.
    pub fn close(self, ending: Ending) -> Result<ClosedSession, Problem> {
        self.close_as(Some(ending))
    }

    /// The same for a session of which nobody knows how it ended.
    pub(crate) fn close_as(mut self, ending: Option<Ending>) -> Result<ClosedSession, Problem> {
        self.close_batch();
        if let (None, Some(ending)) = (&self.problem, ending) {
            self.frames.end(ending, &mut self.buffer);
            self.unsynced = true;
        }
        if let Err(mut problem) = self.sync() {
            if self.lost > 0 {
                problem.seen = format!("{}; {} records after it are lost", problem.seen, self.lost);
            }
            return Err(problem);
        }
        drop(self.file);
        let (closed, _) = close(&*self.disk, &self.layout, &self.path, false)?;
        let lock_path = self.layout.session_lock(self.head.session.as_str());
        // The session lies in its place; a lock file that stays behind stands in nobody's way.
        if let Err(error) = self.disk.remove_file(&lock_path) {
            tracing::warn!(%error, path = %lock_path.display(), "a lock file stays behind");
        }
        drop(self.lock);
        Ok(closed)
    }

    /// What stopped the recording, if anything did.
    pub fn problem(&self) -> Option<&Problem> {
        self.problem.as_ref()
    }

    /// Bytes of its journal so far, but for the batch that is being filled.
    pub fn written(&self) -> u64 {
        self.written + self.buffer.len() as u64
    }

    /// The folder in which the session is while it runs.
    pub fn path(&self) -> &Path {
        &self.path
    }

    fn close_batch(&mut self) {
        let Self { rows, trace, frames, buffer, .. } = self;
        rows.take(|payload| frames.rows(payload, buffer));
        trace.take(|payload| frames.exchanges(payload, buffer));
    }

    /// A journal that somebody removed can still be written and synced, and is gone all the same at the end.
    fn look_after(&mut self) {
        let journal = self.path.join(JOURNAL);
        // A disk that cannot say has just said that the sync was well.
        if self.problem.is_none() && matches!(self.disk.look(&journal), Ok(None)) {
            let cure = "leave the archive alone while a session runs, and record it again";
            let problem = damaged(&journal, "it was removed or moved while the session runs", cure);
            self.give_up(problem);
        }
    }

    fn flush_when_full(&mut self) {
        if self.buffer.len() >= FULL_BUFFER {
            self.flush();
        }
    }

    fn flush(&mut self) {
        if self.problem.is_none()
            && !self.buffer.is_empty()
            && let Err(e) = self.file.write_all(&self.buffer)
        {
            self.fail("writing the journal", &e);
        }
        self.written += self.buffer.len() as u64;
        self.buffer.clear();
    }

    fn fail(&mut self, doing: &str, error: &std::io::Error) {
        self.give_up(on_disk(&self.path.join(JOURNAL), doing, error));
    }

    fn give_up(&mut self, problem: Problem) {
        tracing::error!(%problem, "the recording stops");
        self.problem = Some(problem);
    }
}

/// The head as JSON that reads back as the same head.
fn head_json(head: &SessionHead) -> Result<Vec<u8>, Problem> {
    let refuse = |why: String| argument("head", why, "give every channel finite numbers");
    let json = serde_json::to_vec(head).map_err(|e| refuse(format!("it cannot be written: {e}")))?;
    match serde_json::from_slice::<SessionHead>(&json) {
        Ok(back) if back == *head => Ok(json),
        Ok(_) => Err(refuse("it does not read back as it was".into())),
        Err(e) => Err(refuse(format!("it would not read back: {e}"))),
    }
}

/// The event as JSON that reads back, or the problem to record in its place.
fn readable_json(event: &EventEnvelope) -> Result<Vec<u8>, Problem> {
    let problem = |seen: String| Problem::new(ProblemKind::Record, place(Path::new("events")), seen, "");
    let json = serde_json::to_vec(event).map_err(|e| problem(format!("an event cannot be written: {e}")))?;
    let shown = || String::from_utf8_lossy(&json).chars().take(4_000).collect::<String>();
    if json.len() > LONGEST_PAYLOAD {
        return Err(problem(format!("an event of {} bytes is too long to record: {}", json.len(), shown())));
    }
    match serde_json::from_slice::<EventEnvelope>(&json) {
        Ok(_) => Ok(json),
        Err(e) => Err(problem(format!("an event would not read back ({e}): {}", shown()))),
    }
}
