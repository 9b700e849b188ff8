//! What can still be had of a session that is damaged on disk.
//!
//! The library that reads tables sees no byte here whose checksum does not match: where a table's digest does
//! not, its end is taken from the spare, and of its pages only those are read that are as they were written.

use std::path::{Path, PathBuf};

use model::{Moment, Problem};
use sha2::{Digest, Sha256};

use crate::card::{FileDigest, SessionCard, hex};
use crate::layout::{CARD, SPARE};
use crate::problem::{damaged, on_disk};
use crate::spare::Spare;

mod cells;
mod events;
mod rescue;
mod samples;
mod source;
mod wire;

pub use rescue::{RESCUED_FROM, Rescued};

/// One damaged place of a session.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Damage {
    /// Name of the file.
    pub file: String,
    /// What is damaged, in words: a page of which column of which channel, the file's end, all of it.
    pub what: String,
    /// How many rows stand in the damaged place.
    pub rows: u64,
    /// How many of them cannot be had at all; of the others what is missing follows from the rest.
    pub lost: u64,
    /// The earliest of these rows, where it can be told.
    pub from: Option<Moment>,
    /// The latest of them, where it can be told.
    pub to: Option<Moment>,
}

impl Damage {
    fn of_file(file: &str, what: impl Into<String>) -> Self {
        Self { file: file.into(), what: what.into(), rows: 0, lost: 0, from: None, to: None }
    }
}

impl Damage {
    /// All but the file's name, in one line.
    pub(crate) fn told(&self) -> String {
        let mut told = self.what.clone();
        if self.rows > 0 {
            told.push_str(&format!(", {} rows, {} of them lost", self.rows, self.lost));
        }
        if let (Some(from), Some(to)) = (self.from, self.to) {
            told.push_str(&format!(", between {:.1} s and {:.1} s", from.as_secs_f64(), to.as_secs_f64()));
        }
        told
    }
}

impl std::fmt::Display for Damage {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "{}: {}", self.file, self.told())
    }
}

/// A session as it lies on disk, with what is known of its damage.
pub(crate) struct Wreck {
    folder: PathBuf,
    /// What the session is, from `session.json` or from the spare.
    card: SessionCard,
    spare: Option<Spare>,
    /// Damage outside the tables.
    damages: Vec<Damage>,
}

impl Wreck {
    pub(crate) fn open(folder: &Path) -> Result<Self, Problem> {
        let mut damages = Vec::new();
        let path = folder.join(SPARE);
        let read = || -> Result<(Spare, Vec<u8>), Problem> {
            let bytes = std::fs::read(&path).map_err(|e| on_disk(&path, "reading the spare", &e))?;
            Ok((Spare::from_bytes(&bytes, &path)?, bytes))
        };
        let spare = read();
        let path = folder.join(CARD);
        let text = std::fs::read(&path).map_err(|e| on_disk(&path, "reading the session's description", &e));
        let card = text.and_then(|text| SessionCard::from_bytes(&text, &path));
        let (card, spare) = match (card, spare) {
            (Ok(card), Ok((spare, bytes))) if spare.card.clone().with_spare(&bytes).is_as(&card) => {
                (card, Some(spare))
            }
            (Ok(card), Ok(_)) => {
                damages.push(Damage::of_file(SPARE, "it is that of another session"));
                (card, None)
            }
            (Ok(card), Err(problem)) => {
                damages.push(Damage::of_file(SPARE, problem.seen));
                (card, None)
            }
            (Err(problem), Ok((spare, bytes))) => {
                damages.push(Damage::of_file(CARD, problem.seen));
                (spare.card.clone().with_spare(&bytes), Some(spare))
            }
            (Err(problem), Err(_)) => {
                let seen = format!("{}; the spare cannot be read either", problem.seen);
                return Err(damaged(&path, seen, "restore the session's folder from a copy"));
            }
        };
        Ok(Self { folder: folder.to_path_buf(), card, spare, damages })
    }
}

impl SessionCard {
    /// The card that lies beside a spare: it names the spare among its files.
    pub(crate) fn with_spare(mut self, bytes: &[u8]) -> Self {
        let sha256 = hex(&Sha256::digest(bytes));
        self.files.push(FileDigest { name: SPARE.into(), bytes: bytes.len() as u64, sha256 });
        self
    }

    /// Whether both say the same of a session, their own digests aside.
    fn is_as(&self, other: &Self) -> bool {
        Self { card_sha256: String::new(), ..self.clone() }
            == Self { card_sha256: String::new(), ..other.clone() }
    }
}

/// Looks at every file of a session and says what is damaged in it, page by page; empty when all is as it was
/// written. Each table is read into memory.
pub fn inspect(folder: &Path) -> Result<Vec<Damage>, Problem> {
    let wreck = Wreck::open(folder)?;
    let mut damages = wreck.damages.clone();
    let salvaged = [
        samples::read(&wreck, |_, _| Ok(()))?,
        events::read(&wreck, |_| Ok(()))?,
        wire::read(&wreck, |_| Ok(()))?,
    ];
    damages.extend(salvaged.into_iter().flatten());
    Ok(damages)
}

#[cfg(test)]
mod tests;
