//! Closing sessions and keeping stretches of them: on a thread of its own in real time, so that the next session is
//! written and synced meanwhile; at once in a rehearsal, whose clock stands still.

use std::path::PathBuf;
use std::sync::mpsc::{Receiver, Sender, channel};
use std::thread::{Builder, JoinHandle};

use model::{Ending, Moment, Place, Problem, ProblemKind, SessionId, Span};
use record::{Archive, SessionWriter, read_session};

use super::promise::Promise;
use super::promote::promote;
use super::shelf::{Shelf, ShelfPlan};

/// What becomes of a session that is over.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum What {
    /// It is kept.
    Kept,
    /// It is a segment of a rolling record, kept for a time.
    Segment {
        /// From here on segments are needed for what is to be kept.
        needed_from: Option<Moment>,
    },
}

/// Something to do, in the order in which it is given.
pub(super) enum Task {
    /// Close a session.
    Close {
        /// Its writer.
        writer: Box<SessionWriter>,
        /// How it ended.
        ending: Ending,
        /// What becomes of it.
        what: What,
        /// When it began.
        from: Moment,
        /// When it ended.
        to: Moment,
    },
    /// Know that the disk refused a segment: it lies where it was written until the next start closes it.
    Refused {
        /// When it began.
        from: Moment,
        /// When it was given up.
        to: Moment,
    },
    /// Keep a stretch of the rolling segments.
    Keep(Box<Promise>),
}

/// Something done.
#[derive(Debug, Clone, PartialEq)]
pub(super) enum Done {
    /// A session lies in its place.
    Closed(Kept),
    /// A stretch of the rolling record is kept, with the time before and after that there really was.
    Promoted {
        /// The session.
        kept: Kept,
        /// Time before the first trigger.
        before: Span,
        /// Time after the last.
        after: Span,
    },
    /// It could not be done.
    Failed(Problem),
}

/// A session that is kept.
#[derive(Debug, Clone, PartialEq, Eq, serde::Serialize)]
pub struct Kept {
    /// Its name.
    pub session: String,
    /// Where it lies.
    pub path: PathBuf,
    /// Its readings.
    pub readings: u64,
    /// Its events.
    pub events: u64,
    /// Bytes of its files.
    pub bytes: u64,
}

/// Does the tasks.
pub(super) struct Work {
    /// Where what is kept goes.
    archive: Archive,
    /// The rolling segments.
    shelf: Option<Shelf>,
    /// The shelf that is not open yet: looking through what former runs have left on it takes its time, and what they
    /// left held must not wait for it.
    closed: Option<ShelfPlan>,
    /// From when to when there are segments that could not be closed.
    unclosed: Vec<(Moment, Moment)>,
}

impl Work {
    /// The work on an archive and, in a rolling record, on a shelf.
    pub(super) fn new(archive: Archive, shelf: Option<ShelfPlan>) -> Self {
        Self { archive, shelf: None, closed: shelf, unclosed: Vec::new() }
    }

    /// Opens the shelf.
    fn ready(&mut self, tell: &mut dyn FnMut(Done)) {
        let Some(plan) = self.closed.take() else { return };
        let (shelf, problem) = Shelf::open(plan);
        self.shelf = Some(shelf);
        problem.into_iter().for_each(|problem| tell(Done::Failed(problem)));
    }

    fn act(&mut self, task: Task, tell: &mut dyn FnMut(Done)) {
        self.ready(tell);
        match task {
            Task::Close { writer, ending, what, from, to } => match (writer.close(ending), what) {
                (Ok(closed), What::Kept) => tell(Done::Closed(Kept {
                    session: name_of(&closed.path),
                    path: closed.path,
                    readings: closed.samples,
                    events: closed.events,
                    bytes: closed.bytes,
                })),
                (Ok(closed), What::Segment { needed_from }) => {
                    if let Some(shelf) = &mut self.shelf {
                        shelf.put(closed.path, closed.bytes, from, to);
                        shelf.clear(needed_from).into_iter().for_each(|problem| tell(Done::Failed(problem)));
                    }
                }
                (Err(problem), what) => {
                    if matches!(what, What::Segment { .. }) {
                        self.unclosed.push((from, to));
                    }
                    tell(Done::Failed(problem));
                }
            },
            Task::Refused { from, to } => self.unclosed.push((from, to)),
            Task::Keep(promise) => {
                let Some(shelf) = &self.shelf else { return };
                // A copy over a hole would be taken for the whole. It stays promised, and the next start closes what
                // there is of the segment and keeps it with the rest.
                let lacks = |(from, to): &(Moment, Moment)| *from <= promise.to && *to >= promise.from;
                if self.unclosed.iter().any(lacks) {
                    return tell(Done::Failed(not_whole(&promise.session)));
                }
                let segments = shelf.reaching(promise.from, promise.to);
                let segments: Result<Vec<_>, _> = segments.iter().map(|path| read_session(path)).collect();
                let kept = segments.and_then(|segments| promote(&promise, &self.archive, &segments, &[]));
                tell(match kept {
                    Ok(Some((kept, before, after))) => Done::Promoted { kept, before, after },
                    Ok(None) => Done::Failed(nothing_left(&promise.session)),
                    Err(problem) => Done::Failed(problem),
                });
            }
        }
    }
}

fn not_whole(session: &SessionId) -> Problem {
    let seen = format!("a part of what is to be kept as {session} could not be closed: it is not kept yet");
    let cure = "check the disk's room, and start again: the next start closes it and keeps the whole";
    Problem::new(ProblemKind::Record, Place::Argument { name: "--archive".into() }, seen, cure)
}

fn nothing_left(session: &SessionId) -> Problem {
    let seen = format!("nothing is left of what was to be kept as {session}");
    let place = Place::Argument { name: "--rolling-size".into() };
    Problem::new(ProblemKind::Record, place, seen, "give the rolling record more room")
}

pub(super) fn name_of(path: &std::path::Path) -> String {
    path.file_name().map(|name| name.to_string_lossy().into_owned()).unwrap_or_default()
}

enum Desk {
    Here(Box<Work>),
    Beside { tasks: Option<Sender<Task>>, thread: Option<JoinHandle<()>> },
}

/// Whoever closes and keeps.
pub(super) struct Archivist {
    desk: Desk,
    tell: Sender<Done>,
    done: Receiver<Done>,
}

impl Archivist {
    /// Does its work where it is given.
    pub(super) fn here(work: Work) -> Self {
        let (tell, done) = channel();
        Self { desk: Desk::Here(Box::new(work)), tell, done }
    }

    /// Does its work on a thread of its own; where the system gives none, where it is given.
    pub(super) fn beside(work: Work) -> Self {
        let (tell, done) = channel();
        let (tasks, asked) = channel::<Task>();
        let (give, given) = channel::<Work>();
        let said = tell.clone();
        let body = move || {
            let Ok(mut work) = given.recv() else { return };
            work.ready(&mut |one| drop(said.send(one)));
            while let Ok(task) = asked.recv() {
                // Whoever asked may be gone: what is done is done all the same.
                work.act(task, &mut |one| drop(said.send(one)));
            }
        };
        match Builder::new().name("archivist".into()).spawn(body) {
            Ok(thread) => {
                give.send(work).expect("the thread begins by taking it");
                Self { desk: Desk::Beside { tasks: Some(tasks), thread: Some(thread) }, tell, done }
            }
            Err(error) => {
                tracing::error!(%error, "closing has no thread of its own");
                Self { desk: Desk::Here(Box::new(work)), tell, done }
            }
        }
    }

    /// Gives it something to do.
    pub(super) fn give(&mut self, task: Task) {
        match &mut self.desk {
            Desk::Here(work) => {
                let tell = &self.tell;
                work.act(task, &mut |one| drop(tell.send(one)));
            }
            Desk::Beside { tasks, .. } => {
                if tasks.as_ref().is_none_or(|tasks| tasks.send(task).is_err()) {
                    drop(self.tell.send(Done::Failed(gone())));
                }
            }
        }
    }

    /// What is done since this was last asked.
    pub(super) fn done(&mut self) -> Vec<Done> {
        self.done.try_iter().collect()
    }

    /// Waits until all is done.
    pub(super) fn finish(&mut self) -> Vec<Done> {
        if let Desk::Beside { tasks, thread } = &mut self.desk {
            drop(tasks.take());
            if thread.take().is_some_and(|thread| thread.join().is_err()) {
                drop(self.tell.send(Done::Failed(gone())));
            }
        }
        self.done()
    }
}

fn gone() -> Problem {
    let cure = "start again: what is not closed is closed at the next start";
    Problem::new(ProblemKind::Program, Place::Program, "whoever closes sessions is gone", cure)
}

#[cfg(test)]
mod tests {
    use super::super::promise::Promises;
    use super::super::recover::recover_rolling;
    use super::super::shelf::rolling_folder;
    use super::super::testing::{at, begun, promise};
    use super::*;

    #[test]
    fn what_lacks_a_segment_that_could_not_be_closed_stays_promised_and_the_next_start_keeps_it() {
        let folder = tempfile::tempdir().unwrap();
        let root = rolling_folder(folder.path()).unwrap();
        let rolling = Archive::unrecovered(&root).unwrap();
        let promises = Promises::begin(&root, "run").unwrap();
        let plan = ShelfPlan {
            root,
            run: "run".into(),
            size: 1_000_000,
            age: Span::from_secs(3_600),
            utc_at_zero: 0,
        };
        let mut work = Work::new(Archive::unrecovered(folder.path()).unwrap(), Some(plan));
        let mut done = Vec::new();
        let what = What::Segment { needed_from: None };
        for i in 0..4 {
            let mut writer = Box::new(begun(&rolling, &format!("run-roll-{i}"), i * 60, Some("run")));
            let (from, to) = (at(i * 60), at(i * 60 + 60));
            if i == 1 {
                // Its journal is whole, and it is given up.
                writer.sync().unwrap();
                drop(writer);
                work.act(Task::Refused { from, to }, &mut |one| done.push(one));
            } else {
                work.act(Task::Close { writer, ending: Ending::Passed, what, from, to }, &mut |one| {
                    done.push(one);
                });
            }
        }
        assert_eq!(done, []);
        for seconds in [90, 210] {
            let promise = promise("run", seconds, Span::from_secs(45));
            promises.write(&promise).unwrap();
            work.act(Task::Keep(Box::new(promise)), &mut |one| done.push(one));
        }
        let [Done::Failed(problem), Done::Promoted { kept, .. }] = &done[..] else { panic!("{done:?}") };
        assert!(problem.seen.contains("run-kept-90") && kept.session == "run-kept-210", "{problem}");
        promises.fulfilled(&SessionId::new("run-kept-210").unwrap()).unwrap();
        drop(promises);
        let told = recover_rolling(folder.path());
        let kept: Vec<_> = told.iter().filter(|line| line.starts_with("kept run-kept-90 ")).collect();
        assert!(kept.len() == 1 && kept[0].contains("30.0 s before, 30.0 s after"), "{told:?}");
    }

    #[test]
    fn a_segment_whose_closing_fails_is_a_hole_as_well() {
        let folder = tempfile::tempdir().unwrap();
        let root = rolling_folder(folder.path()).unwrap();
        let rolling = Archive::unrecovered(&root).unwrap();
        let (run, size, age) = ("run".into(), 1_000_000, Span::from_secs(3_600));
        let plan = ShelfPlan { root: root.clone(), run, size, age, utc_at_zero: 0 };
        let mut work = Work::new(Archive::unrecovered(folder.path()).unwrap(), Some(plan));
        let writer = Box::new(begun(&rolling, "run-roll-1", 0, Some("run")));
        std::fs::remove_dir_all(root.join(".open/run-roll-1")).unwrap();
        let mut done = Vec::new();
        let what = What::Segment { needed_from: None };
        let close = Task::Close { writer, ending: Ending::Passed, what, from: at(0), to: at(60) };
        work.act(close, &mut |one| done.push(one));
        let promise = promise("run", 30, Span::from_secs(45));
        work.act(Task::Keep(Box::new(promise)), &mut |one| done.push(one));
        let [Done::Failed(_), Done::Failed(problem)] = &done[..] else { panic!("{done:?}") };
        assert!(problem.seen.contains("not kept yet"), "{problem}");
    }
}
