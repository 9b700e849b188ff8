//! Reading a closed session back.

use std::fs::File;
use std::path::{Path, PathBuf};

use arrow::array::AsArray;
use model::{ChannelId, EventEnvelope, Problem};

use crate::card::SessionCard;
use crate::close::check_digest;
use crate::head::{ChannelHead, SessionHead};
use crate::layout::{CARD, EVENTS, SAMPLES, WIRE};
use crate::problem::{damaged, on_disk};

mod exchanges;
mod rows;
mod table;

pub use exchanges::Exchanges;
pub use rows::{Rows, Samples};
use table::{Table, full, of_another_kind, unreadable};

/// A closed session. Its samples stay on disk and are read as they are asked for.
#[derive(Debug, Clone)]
pub struct Session {
    /// Its folder.
    pub path: PathBuf,
    /// What it is.
    pub card: SessionCard,
    /// Its events, in their order.
    pub events: Vec<EventEnvelope>,
}

impl Session {
    /// What the session said of itself at its start.
    pub fn head(&self) -> &SessionHead {
        &self.card.head
    }

    /// A channel as its description had it.
    pub fn channel(&self, id: &ChannelId) -> Option<&ChannelHead> {
        self.card.head.channels.iter().find(|c| c.id == *id)
    }

    /// Readings and gaps in the order of time. An item is a problem when the file was damaged after the
    /// digest was checked; nothing follows it.
    pub fn rows(&self) -> Result<Rows, Problem> {
        Rows::open(&self.path.join(SAMPLES))
    }

    /// The readings alone, as [`Session::rows`] gives them.
    pub fn samples(&self) -> Result<Samples, Problem> {
        self.rows().map(Samples)
    }

    /// The trace of the wire; none where it was not wanted.
    pub fn exchanges(&self) -> Result<Option<Exchanges>, Problem> {
        let there = self.card.files.iter().any(|file| file.name == WIRE);
        there.then(|| Exchanges::open(&self.path.join(WIRE))).transpose()
    }
}

/// Reads a closed session and refuses it when a digest, a checksum or a count does not match.
pub fn read_session(path: &Path) -> Result<Session, Problem> {
    let card_path = path.join(CARD);
    let text = std::fs::read(&card_path)
        .map_err(|e| on_disk(&card_path, "reading the session's description", &e))?;
    let card = SessionCard::from_bytes(&text, &card_path)?;
    for name in [SAMPLES, EVENTS] {
        if !card.files.iter().any(|f| f.name == name) {
            let seen = "the session's description does not name it";
            return Err(damaged(&path.join(name), seen, "restore it from a copy"));
        }
    }
    for file in &card.files {
        let file_path = path.join(&file.name);
        let mut source = File::open(&file_path).map_err(|e| on_disk(&file_path, "opening the table", &e))?;
        check_digest(&mut source, &file_path, &file.sha256)?;
    }
    let mut session = Session { path: path.to_path_buf(), card, events: Vec::new() };
    session.events = read_events(&path.join(EVENTS))?;
    if session.events.len() as u64 != session.card.events {
        let seen = format!("it holds {} events, not {}", session.events.len(), session.card.events);
        return Err(damaged(
            path,
            seen,
            "restore the session's folder from a copy, or see what 'holdgate sessions rescue' can have of it",
        ));
    }
    Ok(session)
}

fn read_events(path: &Path) -> Result<Vec<EventEnvelope>, Problem> {
    let mut events = Vec::new();
    let batches = Table::open(path)?.all().map_err(|why| unreadable(path, &why))?;
    for batch in batches {
        let batch = batch.map_err(|e| unreadable(path, &e.to_string()))?;
        let column = full(&batch, "json").map_err(|why| unreadable(path, &why))?;
        let texts =
            column.as_string_opt::<i32>().ok_or_else(|| unreadable(path, &of_another_kind("json")))?;
        for text in texts.iter() {
            let event = serde_json::from_str(text.unwrap_or_default());
            events.push(event.map_err(|e| unreadable(path, &format!("an event is not of its form: {e}")))?);
        }
    }
    Ok(events)
}

#[cfg(test)]
mod tests;
