//! Removing sessions, so that a crash in the middle never leaves half of one that looks whole.

use std::io;
use std::path::Path;

use model::Problem;

use crate::archive::Archive;
use crate::catalogue::{CatalogueLine, SessionState};
use crate::disk::{Thing, create_folders};
use crate::layout::CARD;
use crate::notes::read_notes;
use crate::problem::{argument, damaged, on_disk};

const DAY: i64 = 86_400_000_000_000;

/// What an archive may hold. A limit that is not given does not limit.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct Limits {
    /// Bytes of all closed sessions.
    pub bytes: Option<u64>,
    /// Age of a session in whole days since it began, as it was corrected.
    pub days: Option<u32>,
    /// How many closed sessions.
    pub count: Option<usize>,
}

impl Limits {
    /// The sessions that have to go, oldest first, out of a catalogue: those that are too old, and then the oldest
    /// until bytes and count are within their limits. Never one that is marked to be kept, whose notes cannot be
    /// read (nobody knows whether it is to be kept), or that is not closed; kept sessions count all the same.
    pub fn exceeding<'l>(&self, lines: &'l [CatalogueLine], now_utc_nanos: i64) -> Vec<&'l CatalogueLine> {
        let closed = || lines.iter().filter(|line| line.state == SessionState::Closed);
        let bytes_of = |line: &CatalogueLine| line.brief.as_ref().map_or(0, |brief| brief.bytes);
        let mut bytes: u64 = closed().map(bytes_of).fold(0, u64::saturating_add);
        let mut count = closed().count();
        let oldest = self.days.map(|days| now_utc_nanos.saturating_sub(i64::from(days).saturating_mul(DAY)));
        let mut going = Vec::new();
        // The catalogue is newest first.
        for line in lines.iter().rev().filter(|line| line.state == SessionState::Closed) {
            if line.notes.keep || line.notes_unknown() {
                continue;
            }
            let old = oldest.is_some_and(|oldest| line.began().is_some_and(|began| began < oldest));
            let heavy = self.bytes.is_some_and(|limit| bytes > limit);
            let many = self.count.is_some_and(|limit| count > limit);
            if old || heavy || many {
                bytes -= bytes_of(line);
                count -= 1;
                going.push(line);
            }
        }
        going
    }

    /// Whether it limits nothing.
    pub fn is_none(&self) -> bool {
        *self == Self::default()
    }
}

impl Archive {
    /// Removes a session for good. Refuses one that runs, and one that a crash left: closing it may still save it.
    /// It is first renamed out of its place, so that whatever happens it is either there whole or not at all.
    pub fn remove(&self, line: &CatalogueLine) -> Result<(), Problem> {
        let folder = &line.path;
        match line.state {
            SessionState::Running => {
                let seen = format!("session '{}' is being recorded", line.session);
                return Err(argument("session", seen, "end it first"));
            }
            SessionState::Crashed => {
                let seen = format!("session '{}' was left by a crash and is not closed", line.session);
                return Err(argument("session", seen, "run 'holdgate sessions recover' first"));
            }
            SessionState::Closed | SessionState::Broken => {}
        }
        let disk = self.disk();
        let step = |at: &Path, doing: &'static str| {
            let at = at.to_path_buf();
            move |e: io::Error| on_disk(&at, doing, &e)
        };
        let below = |root: &Path| folder.strip_prefix(root).map_or(0, |below| below.components().count());
        // A car, a day and the session itself; or what was moved aside. Never a folder that holds several.
        if below(self.layout().root()) != 3 && below(&self.layout().broken()) != 1 {
            return Err(damaged(
                folder,
                "it does not lie in this archive",
                "name its archive with --archive",
            ));
        }
        let card = folder.join(CARD);
        // Nobody may be writing notes into a folder that goes away under them.
        let _lock =
            if disk.exists(&card).map_err(step(&card, "looking for the session"))? {
                let lock = disk.lock(&card).map_err(step(&card, "locking"))?;
                Some(lock.ok_or_else(|| {
                    damaged(folder, "another program is changing it", "try again after that")
                })?)
            } else {
                None
            };
        // Somebody may have marked it since the catalogue was read.
        if read_notes(folder).is_ok_and(|notes| notes.keep) {
            let seen = format!("session '{}' is marked to be kept", line.session);
            return Err(argument("session", seen, "take the mark off first"));
        }
        let trash = self.layout().trash();
        create_folders(disk, self.layout().root(), &trash).map_err(step(&trash, "making the folder"))?;
        let mut away = trash.join(&line.session);
        for again in 2.. {
            if !disk.exists(&away).map_err(step(&away, "looking for a free name"))? {
                break;
            }
            away = trash.join(format!("{}-{again}", line.session));
        }
        disk.rename(folder, &away).map_err(step(folder, "taking the session out of its place"))?;
        disk.sync_folder(&trash).map_err(step(&trash, "syncing the folder"))?;
        if let Some(parent) = folder.parent() {
            disk.sync_folder(parent).map_err(step(parent, "syncing the folder"))?;
        }
        disk.remove_folder(&away).map_err(step(&away, "removing the session"))?;
        disk.sync_folder(&trash).map_err(step(&trash, "syncing the folder"))
    }

    /// Removes what a crash left half removed, and says how many sessions that were.
    pub fn empty_trash(&self) -> Result<usize, Problem> {
        let trash = self.layout().trash();
        let failed = |e: io::Error| on_disk(&trash, "removing what was half removed", &e);
        match self.disk().look(&trash).map_err(failed)? {
            None => return Ok(0),
            Some(Thing::Folder) => {}
            Some(_) => {
                let why = "it is a file or a link, not a folder";
                return Err(failed(io::Error::new(io::ErrorKind::NotADirectory, why)));
            }
        }
        let left = self.disk().list(&trash).map_err(failed)?;
        for entry in &left {
            let path = trash.join(&entry.name);
            let removed =
                if entry.folder { self.disk().remove_folder(&path) } else { self.disk().remove_file(&path) };
            removed.map_err(failed)?;
        }
        if !left.is_empty() {
            self.disk().sync_folder(&trash).map_err(failed)?;
        }
        Ok(left.len())
    }
}

#[cfg(test)]
mod tests;
