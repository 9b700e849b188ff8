//! What was promised to be kept out of a rolling record, on disk before anything else: a crash before the copy is
//! made leaves the promise, and the next start keeps it.

use std::fs::{self, File};
use std::io::Write;
use std::path::{Path, PathBuf};

use model::event::Trigger;
use model::{Moment, Place, Problem, ProblemKind, SessionId, Span};
use serde::{Deserialize, Serialize};

/// Version of a promise's file.
const VERSION: u16 = 1;
/// Folder of the promises beside the rolling segments.
const FOLDER: &str = "promises";

/// A stretch that will be kept.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct Promise {
    /// Version of the form.
    schema: u16,
    /// The session that it becomes.
    pub(super) session: SessionId,
    /// The run whose segments it is cut from.
    pub(super) run: String,
    /// From when on.
    pub(super) from: Moment,
    /// Up to when.
    pub(super) to: Moment,
    /// Why, at the moments at which it happened.
    pub(super) triggers: Vec<Trigger>,
    /// The time before the first that was asked for.
    pub(super) before: Span,
    /// The time after the last that was asked for.
    pub(super) after: Span,
}

impl Promise {
    /// Promises what lies around a trigger.
    pub(super) fn around(session: SessionId, run: &str, trigger: Trigger, before: Span, after: Span) -> Self {
        Self {
            schema: VERSION,
            session,
            run: run.to_string(),
            from: trigger.at - before,
            to: trigger.at + after,
            triggers: vec![trigger],
            before,
            after,
        }
    }

    /// Whether what lies around another trigger laps over it.
    pub(super) fn laps(&self, at: Moment) -> bool {
        at - self.before <= self.to
    }

    /// Takes another trigger in.
    pub(super) fn merge(&mut self, trigger: Trigger) {
        self.to = self.to.max(trigger.at + self.after);
        self.triggers.push(trigger);
    }
}

/// The promises of an archive of rolling segments.
#[derive(Debug)]
pub(super) struct Promises {
    folder: PathBuf,
    /// Held as long as the run lives, so that nobody else takes its promises for those of a crash.
    _alive: Option<File>,
}

fn problem(path: &Path, doing: &str, error: &std::io::Error) -> Problem {
    let place = Place::Path { path: path.display().to_string() };
    let cure = "check the disk's room and the permissions of the archive";
    Problem::new(ProblemKind::Record, place, format!("{doing}: {error}"), cure)
}

impl Promises {
    /// The promises of a run that begins.
    pub(super) fn begin(rolling: &Path, run: &str) -> Result<Self, Problem> {
        let folder = rolling.join(FOLDER);
        fs::create_dir_all(&folder).map_err(|error| problem(&folder, "making the folder", &error))?;
        let path = lock_path(&folder, run);
        let alive = File::create(&path).and_then(|file| file.try_lock().map_err(Into::into).map(|()| file));
        let alive = alive.map_err(|error| problem(&path, "locking", &error))?;
        Ok(Self { folder, _alive: Some(alive) })
    }

    /// The promises that a crash left: those of runs that live no more. Files that are no promises are told.
    pub(super) fn left(rolling: &Path) -> (Self, Vec<Promise>, Vec<Problem>) {
        let folder = rolling.join(FOLDER);
        let (mut promises, mut problems) = (Vec::new(), Vec::new());
        let mut paths: Vec<PathBuf> = match fs::read_dir(&folder) {
            Ok(list) => list.filter_map(|entry| Some(entry.ok()?.path())).collect(),
            Err(_) => Vec::new(),
        };
        paths.sort();
        for path in &paths {
            match path.extension().and_then(|extension| extension.to_str()) {
                Some("json") => match read(path) {
                    Ok(promise) if is_alive(rolling, &promise.run) => {}
                    Ok(promise) => promises.push(promise),
                    Err(problem) => problems.push(problem),
                },
                Some("lock") => {
                    let run = path.file_stem().map(|stem| stem.to_string_lossy().into_owned());
                    if run.is_some_and(|run| !is_alive(rolling, &run)) {
                        // A lock that stays behind stands in nobody's way.
                        drop(fs::remove_file(path));
                    }
                }
                _ => {}
            }
        }
        (Self { folder, _alive: None }, promises, problems)
    }

    fn path(&self, session: &SessionId) -> PathBuf {
        self.folder.join(format!("{session}.json"))
    }

    /// Writes a promise; it is on the disk on return.
    pub(super) fn write(&self, promise: &Promise) -> Result<(), Problem> {
        let path = self.path(&promise.session);
        let begun = self.folder.join(format!("{}.new", promise.session));
        let write = || {
            let text = serde_json::to_vec_pretty(promise)?;
            let mut file = File::create(&begun)?;
            file.write_all(&text)?;
            file.sync_all()?;
            fs::rename(&begun, &path)?;
            sync_folder(&self.folder)
        };
        write().map_err(|error: std::io::Error| problem(&path, "writing down what is to be kept", &error))
    }

    /// Takes a promise away: it is kept, or nothing is left of it.
    pub(super) fn fulfilled(&self, session: &SessionId) -> Result<(), Problem> {
        let path = self.path(session);
        match fs::remove_file(&path) {
            Err(error) if error.kind() != std::io::ErrorKind::NotFound => {
                Err(problem(&path, "striking out what is kept", &error))
            }
            _ => Ok(()),
        }
    }

    /// Whether nothing is promised any more that this run promised.
    pub(super) fn end(&self, run: &str) {
        drop(fs::remove_file(lock_path(&self.folder, run)));
    }
}

#[cfg(unix)]
fn sync_folder(folder: &Path) -> std::io::Result<()> {
    File::open(folder)?.sync_all()
}

/// Other systems order the renaming by themselves.
#[cfg(not(unix))]
fn sync_folder(_: &Path) -> std::io::Result<()> {
    Ok(())
}

fn lock_path(folder: &Path, run: &str) -> PathBuf {
    folder.join(format!("{run}.lock"))
}

/// Whether a run lives that rolls in this folder.
pub(super) fn is_alive(rolling: &Path, run: &str) -> bool {
    let locked = File::open(lock_path(&rolling.join(FOLDER), run)).map(|file| file.try_lock().is_err());
    // Without a lock nobody lives.
    locked.unwrap_or(false)
}

/// Every promise that is not yet fulfilled, whoever made it. One that cannot be read is told by whoever keeps what is
/// left of former runs.
pub(super) fn standing(rolling: &Path) -> Vec<Promise> {
    let Ok(list) = fs::read_dir(rolling.join(FOLDER)) else { return Vec::new() };
    let paths = list.filter_map(|entry| Some(entry.ok()?.path()));
    let promises = paths.filter(|path| path.extension().is_some_and(|extension| extension == "json"));
    promises.filter_map(|path| read(&path).ok()).collect()
}

fn read(path: &Path) -> Result<Promise, Problem> {
    let told = |seen: String| {
        let place = Place::Path { path: path.display().to_string() };
        Problem::new(
            ProblemKind::Record,
            place,
            seen,
            "remove the file, or start a newer version of this program",
        )
    };
    let text = fs::read(path).map_err(|error| told(format!("it cannot be read: {error}")))?;
    let promise: Promise = serde_json::from_slice(&text)
        .map_err(|error| told(format!("it is not a stretch to be kept: {error}")))?;
    if promise.schema == VERSION && !promise.triggers.is_empty() {
        Ok(promise)
    } else {
        Err(told(format!("it is of version {}, which is not known here", promise.schema)))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn trigger(seconds: i64) -> Trigger {
        Trigger { at: Moment::ZERO + Span::from_secs(seconds), why: "a mark".into() }
    }

    fn promise(seconds: i64) -> Promise {
        let session = SessionId::new("run-kept-1").unwrap();
        Promise::around(session, "run", trigger(seconds), Span::from_secs(60), Span::from_secs(30))
    }

    #[test]
    fn triggers_whose_stretches_lap_are_one_promise() {
        let mut one = promise(100);
        assert!(one.laps(trigger(190).at) && !one.laps(trigger(191).at), "130 s plus 60 s of lead");
        one.merge(trigger(150));
        assert_eq!((one.from, one.to), (trigger(40).at, trigger(180).at));
        assert_eq!(one.triggers.len(), 2);
    }

    #[test]
    fn a_promise_outlives_its_run_and_is_left_alone_while_it_lives() {
        let folder = tempfile::tempdir().unwrap();
        let run = Promises::begin(folder.path(), "run").unwrap();
        run.write(&promise(100)).unwrap();
        fs::write(folder.path().join("promises/broken.json"), "{}").unwrap();
        let (_, promises, problems) = Promises::left(folder.path());
        assert_eq!((promises.len(), problems.len()), (0, 1));
        drop(run);
        let (left, promises, _) = Promises::left(folder.path());
        assert_eq!(promises, [promise(100)]);
        left.fulfilled(&promises[0].session).unwrap();
        assert_eq!(Promises::left(folder.path()).1, []);
    }
}
