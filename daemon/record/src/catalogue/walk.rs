//! Walking through the folders of an archive. Symbolic links are never followed.

use std::fs::{self, File};
use std::io::{self, Read};
use std::path::{Path, PathBuf};
use std::time::{Duration, UNIX_EPOCH};

use model::Problem;

use super::{CatalogueLine, SessionBrief, SessionState};
use crate::archive::Archive;
use crate::close::head_of;
use crate::layout::{CARD, JOURNAL, Layout, check_car};
use crate::notes::{Notes, read_notes};
use crate::problem::{damaged, on_disk};

/// A description is some hundred bytes a channel; more than this is none.
const LONGEST_CARD: u64 = 4 << 20;

/// Names of the folders in a folder, sorted; links are none.
fn folders(path: &Path) -> Result<Vec<String>, Problem> {
    let listing = |e: io::Error| on_disk(path, "listing the archive", &e);
    let mut names = Vec::new();
    for entry in fs::read_dir(path).map_err(listing)? {
        let entry = entry.map_err(listing)?;
        if entry.file_type().map_err(listing)?.is_dir() {
            names.push(entry.file_name().to_string_lossy().into_owned());
        }
    }
    names.sort();
    Ok(names)
}

/// The closed sessions. A folder that went away meanwhile was removed, and is no problem.
pub(super) fn closed(layout: &Layout) -> Result<Vec<CatalogueLine>, Problem> {
    let mut lines = Vec::new();
    for car_folder in folders(layout.root())? {
        let Some(car) = car_folder.strip_prefix("car=") else { continue };
        let car_path = layout.root().join(&car_folder);
        for date_folder in below(&car_path, &mut lines).into_iter().filter(|name| name.starts_with("date=")) {
            let date_path = car_path.join(&date_folder);
            for session in below(&date_path, &mut lines) {
                let path = date_path.join(&session);
                lines.extend(line(car, session, path));
            }
        }
    }
    Ok(lines)
}

/// The folders in a folder; one that cannot be listed is a line of its own, and keeps no other from being listed.
fn below(path: &Path, lines: &mut Vec<CatalogueLine>) -> Vec<String> {
    folders(path).unwrap_or_else(|problem| {
        if path.is_dir() {
            let session =
                path.file_name().map(|name| name.to_string_lossy().into_owned()).unwrap_or_default();
            lines.push(broken(session, path.to_path_buf(), problem));
        }
        Vec::new()
    })
}

fn broken(session: String, path: PathBuf, problem: Problem) -> CatalogueLine {
    CatalogueLine {
        session,
        path,
        state: SessionState::Broken,
        brief: None,
        notes: Notes::default(),
        problem: Some(problem),
        written: Duration::ZERO,
    }
}

fn line(car: &str, session: String, path: PathBuf) -> Option<CatalogueLine> {
    let (brief, written) = match card(car, &session, &path) {
        Ok((brief, written)) => (Ok(brief), written),
        Err(_) if !path.is_dir() => return None,
        Err(problem) => (Err(problem), Duration::ZERO),
    };
    let notes = read_notes(&path);
    let state = if brief.is_ok() { SessionState::Closed } else { SessionState::Broken };
    let (brief, problem) = brief.map_or_else(|problem| (None, Some(problem)), |brief| (Some(brief), None));
    let (notes, problem) = match notes {
        Ok(notes) => (notes, problem),
        Err(more) => (Notes::default(), problem.or(Some(more))),
    };
    Some(CatalogueLine { session, path, state, brief, notes, problem, written })
}

/// Reads a description and refuses one that lies where it does not belong.
fn card(car: &str, session: &str, folder: &Path) -> Result<(SessionBrief, Duration), Problem> {
    let path = folder.join(CARD);
    let read = |e: io::Error| on_disk(&path, "reading the session's description", &e);
    let file = File::open(&path).map_err(read)?;
    let about = file.metadata().map_err(read)?;
    if !about.is_file() || about.len() > LONGEST_CARD {
        let seen = format!("it is not the description of a session: no file of at most {LONGEST_CARD} bytes");
        return Err(damaged(&path, seen, "restore the session's folder from a copy"));
    }
    let mut bytes = Vec::with_capacity(about.len() as usize + 1);
    file.take(LONGEST_CARD).read_to_end(&mut bytes).map_err(read)?;
    let brief = SessionBrief::from_bytes(&bytes, &path)?;
    check_car(car).map_err(|problem| damaged(folder, problem.seen, "give the folder its old name back"))?;
    if brief.car != car || brief.session.as_str() != session {
        let seen = format!("the session in it is '{}' of the car '{}'", brief.session, brief.car);
        return Err(damaged(folder, seen, "give the folder its old name back"));
    }
    let written = about.modified().ok().and_then(|at| at.duration_since(UNIX_EPOCH).ok());
    Ok((brief, written.unwrap_or_default()))
}

/// The sessions that run, and those that a crash left.
pub(super) fn open(archive: &Archive) -> Result<Vec<CatalogueLine>, Problem> {
    let mut lines = Vec::new();
    let layout = archive.layout();
    for session in archive.unclosed()? {
        let path = layout.open_session(&session);
        let journal = path.join(JOURNAL);
        let running = is_locked(&layout.session_lock(&session));
        let head = head_of(archive.disk(), &journal).map_err(Problem::from);
        if head.is_err() && !journal.exists() {
            // About to begin, or closed a moment ago.
            continue;
        }
        let state = if running { SessionState::Running } else { SessionState::Crashed };
        let (brief, problem) =
            head.map_or_else(|p| (None, Some(p)), |found| (Some(SessionBrief::of_head(found.head)), None));
        let written = Duration::MAX;
        lines.push(CatalogueLine { session, path, state, brief, notes: Notes::default(), problem, written });
    }
    Ok(lines)
}

/// Journals that were moved aside because they cannot be read.
pub(super) fn aside(layout: &Layout) -> Result<Vec<CatalogueLine>, Problem> {
    let folder = layout.broken();
    if !folder.is_dir() {
        return Ok(Vec::new());
    }
    let line = |session: String| {
        let path = folder.join(&session);
        let seen = "nothing in its journal can be read; it was moved aside";
        let problem = damaged(&path, seen, "keep it for an expert, or remove it");
        broken(session, path, problem)
    };
    Ok(folders(&folder)?.into_iter().map(line).collect())
}

/// Whether a program holds a lock. It is only looked at: a shared lock keeps no other reader away, and is given
/// back at once.
fn is_locked(path: &Path) -> bool {
    let Ok(file) = File::open(path) else { return false };
    matches!(file.try_lock_shared(), Err(fs::TryLockError::WouldBlock))
}
