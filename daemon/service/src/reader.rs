//! Finding and reading sessions. Everything here waits for the disk.

use std::fs::File;
use std::io::Read;
use std::path::{Path, PathBuf};

use axum::http::StatusCode;
use model::{Place, Problem, ProblemKind, SCHEMA_VERSION, SessionId};
use record::{Archive, RECORD_VERSION, Session, SessionCard, read_session};

use crate::refusal::Refusal;
use crate::view::{SessionList, SessionSummary};

/// A description is some hundred bytes a channel; more than this is none.
const LONGEST_CARD: u64 = 4 << 20;

const RESTORE: &str = "restore the session's folder from a copy";

/// All sessions in short. One that cannot be told does not keep the others from it.
pub(crate) fn list(archive: &Archive) -> Result<SessionList, Refusal> {
    let mut list = SessionList { schema: SCHEMA_VERSION, sessions: Vec::new(), problems: Vec::new() };
    for folder in archive.sessions().map_err(Refusal::on_disk)? {
        match read_card(&folder) {
            Ok(card) => list.sessions.push(SessionSummary::new(&card)),
            Err(problem) => list.problems.push(problem),
        }
    }
    Ok(list)
}

/// One session, checked in full.
pub(crate) fn session(archive: &Archive, id: &SessionId) -> Result<Session, Refusal> {
    let folder = find(archive, id)?;
    let session = read_session(&folder).map_err(Refusal::on_disk)?;
    check_name(&folder, &session.card).map_err(Refusal::on_disk)?;
    Ok(session)
}

fn find(archive: &Archive, id: &SessionId) -> Result<PathBuf, Refusal> {
    let mut found = archive.sessions().map_err(Refusal::on_disk)?;
    found.retain(|folder| folder.file_name().is_some_and(|name| name == id.as_str()));
    let name = format!("session {id}");
    match found.len() {
        1 => Ok(found.remove(0)),
        0 => Err(Refusal::request(
            StatusCode::NOT_FOUND,
            &name,
            "the archive holds no closed session of this name".into(),
            "choose one of /v1/sessions; a session that still runs is served once it has ended",
        )),
        count => {
            let folders: Vec<String> = found.iter().map(|f| f.display().to_string()).collect();
            Err(Refusal::request(
                StatusCode::CONFLICT,
                &name,
                format!("the archive holds {count} sessions of this name: {}", folders.join(", ")),
                "move all but one of them out of the archive",
            ))
        }
    }
}

/// What a session says of itself, without its tables and their digests: a list that read them all would read
/// the whole archive.
fn read_card(folder: &Path) -> Result<SessionCard, Problem> {
    let path = folder.join("session.json");
    let cannot = |why: String| damaged(&path, format!("it cannot be read: {why}"));
    let mut text = Vec::new();
    let file = File::open(&path).map_err(|e| cannot(e.to_string()))?;
    file.take(LONGEST_CARD + 1).read_to_end(&mut text).map_err(|e| cannot(e.to_string()))?;
    if text.len() as u64 > LONGEST_CARD {
        return Err(cannot(format!("it is longer than {LONGEST_CARD} bytes")));
    }
    let card: SessionCard = serde_json::from_slice(&text)
        .map_err(|e| damaged(&path, format!("it is not the description of a session: {e}")))?;
    if card.schema > RECORD_VERSION {
        let seen = format!("it is of version {}, newer than this program knows", card.schema);
        let cure = "read it with a newer version of this program";
        return Err(Problem::new(ProblemKind::Record, place(&path), seen, cure));
    }
    check_name(folder, &card)?;
    Ok(card)
}

/// A folder is asked for by its name, so its name must be that of the session in it.
fn check_name(folder: &Path, card: &SessionCard) -> Result<(), Problem> {
    let id = card.head.session.as_str();
    if folder.file_name().is_some_and(|name| name == id) {
        return Ok(());
    }
    let seen = format!("the session in it is named '{id}'");
    Err(Problem::new(ProblemKind::Record, place(folder), seen, "give the folder its old name back"))
}

fn damaged(path: &Path, seen: String) -> Problem {
    Problem::new(ProblemKind::Record, place(path), seen, RESTORE)
}

fn place(path: &Path) -> Place {
    Place::Path { path: path.display().to_string() }
}
