//! The hold ledger: which outputs may be held at this moment, on disk before they are.
//!
//! One file a station, one line an entry, each line a JSON object of its own:
//! `{"crc32":"<8 hex digits>","say":<entry>}`, where the CRC-32 covers the text of the entry. A line is synced
//! before the call that wrote it returns, so an output that was engaged is in the ledger whatever happens
//! afterwards.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::sync::Arc;

use model::{OutputId, Problem, Quantity, Span, StationId};
use serde::{Deserialize, Serialize};

use crate::disk::{Disk, DiskFile, Lock, RealDisk, create_folders, read_all};
use crate::layout::Layout;
use crate::problem::{argument, damaged, on_disk};

/// An output that is about to be held, with all that is needed to give it back without the description.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct LedgerEntry {
    /// Which output.
    pub output: OutputId,
    /// At what value.
    pub value: Quantity,
    /// The request that engages it.
    pub engage: Vec<u8>,
    /// The request that releases it.
    pub release: Vec<u8>,
    /// The longest time from the request to the release.
    pub at_most: Span,
    /// After how long without a word from us the controller releases by itself, where it does.
    pub controller_timeout: Option<Span>,
    /// When it was written, in nanoseconds since 1970-01-01T00:00:00Z.
    pub at_utc_nanos: i64,
}

/// What a former run may have left held.
#[derive(Debug, Clone, PartialEq)]
pub enum Outstanding {
    /// This output was about to be held and was not recorded as given back.
    Entry(LedgerEntry),
    /// A line cannot be read, so it may hide an output that is held: release every output there is.
    Unreadable {
        /// Which line, from 1.
        line: u64,
        /// What is left of it.
        seen: String,
    },
}

#[derive(Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
enum Line {
    Intent(LedgerEntry),
    Cleared(OutputId),
    /// A line that a former start could not read; kept until it is settled.
    Unreadable {
        line: u64,
        seen: String,
    },
}

const BEFORE_CRC: &str = "{\"crc32\":\"";
const AFTER_CRC: &str = "\",\"say\":";
const CRC_DIGITS: usize = 8;
/// A ledger without entries is emptied at this size; before that, each hold would cost two more syncs.
const EMPTIED_AT: u64 = 64 << 10;

/// The hold ledger of one station.
pub struct HoldLedger {
    disk: Arc<dyn Disk>,
    folder: PathBuf,
    path: PathBuf,
    /// Absent where the disk refused it: then `problem` says so and nothing is written.
    file: Option<Box<dyn DiskFile>>,
    bytes: u64,
    entries: BTreeMap<OutputId, LedgerEntry>,
    unreadable: Vec<(u64, String)>,
    problem: Option<Problem>,
    _lock: Lock,
}

impl HoldLedger {
    /// Opens a station's ledger and says what a former run may have left held. Refused while another program
    /// has it open: two programs on one wire would release each other's holds. One that can be read but not written
    /// is opened all the same, says what is outstanding, and refuses every hold.
    pub fn open(root: &Path, station: &StationId) -> Result<(Self, Vec<Outstanding>), Problem> {
        std::fs::create_dir_all(root).map_err(|e| on_disk(root, "making the archive", &e))?;
        Self::open_on(Arc::new(RealDisk), root, station)
    }

    pub(crate) fn open_on(
        disk: Arc<dyn Disk>,
        root: &Path,
        station: &StationId,
    ) -> Result<(Self, Vec<Outstanding>), Problem> {
        let layout = Layout::new(root);
        let (folder, path) = (layout.ledger_folder(), layout.ledger(station));
        let failed = |e: std::io::Error| on_disk(&path, "opening the hold ledger", &e);
        create_folders(&*disk, root, &folder).map_err(failed)?;
        let lock = disk.lock(&folder.join(format!("{station}.lock"))).map_err(failed)?.ok_or_else(|| {
            let seen = "another program works with this station";
            damaged(&path, seen, "end the other program, or give this one another station name")
        })?;
        let text = if disk.exists(&path).map_err(failed)? {
            read_all(&*disk, &path).map_err(failed)?
        } else {
            Vec::new()
        };
        let (entries, unreadable) = replay(&text);
        let (file, bytes, problem) = (None, 0, None);
        let mut ledger = Self { disk, folder, path, file, bytes, entries, unreadable, problem, _lock: lock };
        // Written anew at every start, so that nothing is ever appended to a torn line. A disk that is full must not
        // keep anybody from learning what is to be released: it refuses the next hold, not this.
        if let Err(problem) = ledger.rewrite() {
            tracing::error!(%problem, "the hold ledger can be read but not written");
        }
        let lines = ledger
            .unreadable
            .iter()
            .map(|(line, seen)| Outstanding::Unreadable { line: *line, seen: seen.clone() });
        let outstanding = ledger.entries.values().cloned().map(Outstanding::Entry).chain(lines).collect();
        Ok((ledger, outstanding))
    }

    /// Records that an output is about to be held. Only after this has returned well may the request leave.
    /// Refuses numbers that are none, and a second entry for one output unless it is the same hold with a longer
    /// window.
    pub fn intend(&mut self, entry: LedgerEntry) -> Result<(), Problem> {
        // A window that is moved outwards is the same hold: the same bytes engage and release it. Anything else
        // would lose the way to release what is held.
        let same = |known: &LedgerEntry| {
            (&known.engage, &known.release, &known.value) == (&entry.engage, &entry.release, &entry.value)
                && entry.at_most > known.at_most
        };
        if self.entries.get(&entry.output).is_some_and(|known| !same(known)) {
            let seen = format!("output '{}' is in the hold ledger already", entry.output);
            return Err(argument("output", seen, "release it first"));
        }
        if !entry.value.value.is_finite() {
            let seen = format!("output '{}' cannot be held at {}", entry.output, entry.value.value);
            return Err(argument("value", seen, "give a number"));
        }
        self.append(&Line::Intent(entry.clone()))?;
        self.entries.insert(entry.output.clone(), entry);
        Ok(())
    }

    /// Records that an output is known to be back. On an error it counts as held at the next start, which
    /// only means one more release.
    pub fn cleared(&mut self, output: &OutputId) -> Result<(), Problem> {
        if self.entries.contains_key(output) {
            self.append(&Line::Cleared(output.clone()))?;
            self.entries.remove(output);
            self.empty_when_large()?;
        }
        Ok(())
    }

    /// Records that every output there is was released, so that unreadable lines can hide nothing more.
    pub fn cleared_unreadable(&mut self) -> Result<(), Problem> {
        if self.unreadable.is_empty() {
            return Ok(());
        }
        self.refuse_after_problem()?;
        let kept = std::mem::take(&mut self.unreadable);
        self.rewrite().inspect_err(|_| self.unreadable = kept)
    }

    /// The outputs that are or may be held.
    pub fn outstanding(&self) -> Vec<LedgerEntry> {
        self.entries.values().cloned().collect()
    }

    fn append(&mut self, line: &Line) -> Result<(), Problem> {
        self.refuse_after_problem()?;
        let text = line_text(line);
        let file =
            self.file.as_mut().expect("a ledger without its file has a problem, which refused this above");
        let written = file.write_all(text.as_bytes()).and_then(|()| file.sync());
        written.map_err(|e| self.fail(&e))?;
        self.bytes += text.len() as u64;
        Ok(())
    }

    fn empty_when_large(&mut self) -> Result<(), Problem> {
        let empty = self.entries.is_empty() && self.unreadable.is_empty();
        if empty && self.bytes >= EMPTIED_AT { self.rewrite() } else { Ok(()) }
    }

    fn rewrite(&mut self) -> Result<(), Problem> {
        let written = rewrite(&*self.disk, &self.folder, &self.path, &self.entries, &self.unreadable);
        let (file, bytes) = written.map_err(|e| self.fail(&e))?;
        (self.file, self.bytes) = (Some(file), bytes);
        Ok(())
    }

    /// After a failed write or sync nobody knows what the file holds, so nothing more may lean on it.
    fn refuse_after_problem(&self) -> Result<(), Problem> {
        self.problem.clone().map_or(Ok(()), Err)
    }

    fn fail(&mut self, error: &std::io::Error) -> Problem {
        let mut problem = on_disk(&self.path, "writing the hold ledger", error);
        problem.cure = "no output is held without it: mend the disk and start again".into();
        self.problem = Some(problem.clone());
        problem
    }
}

/// The text of a line, with its end.
fn line_text(line: &Line) -> String {
    let say = serde_json::to_string(line).expect("texts, whole numbers and one finite number are JSON");
    let crc = crc32fast::hash(say.as_bytes());
    format!("{BEFORE_CRC}{crc:08x}{AFTER_CRC}{say}}}\n")
}

/// Reads a line without its end.
fn read_line(text: &[u8]) -> Option<Line> {
    let text = std::str::from_utf8(text).ok()?;
    let (crc, rest) = text.strip_prefix(BEFORE_CRC)?.split_at_checked(CRC_DIGITS)?;
    let say = rest.strip_prefix(AFTER_CRC)?.strip_suffix('}')?;
    // Compared as text: reading hex would let an upper-case digit pass for its lower-case one.
    let matches = crc == format!("{:08x}", crc32fast::hash(say.as_bytes()));
    if matches { serde_json::from_str(say).ok() } else { None }
}

type Replayed = (BTreeMap<OutputId, LedgerEntry>, Vec<(u64, String)>);

/// What the lines leave outstanding. An unreadable line counts as one that may hide a hold, wherever it
/// stands: a torn end may be a hold that was never engaged, but nothing tells it from a damaged one that was.
fn replay(text: &[u8]) -> Replayed {
    let mut entries = BTreeMap::new();
    let mut unreadable = Vec::new();
    for (line, number) in text.split_inclusive(|b| *b == b'\n').zip(1..) {
        match line.strip_suffix(b"\n").and_then(read_line) {
            Some(Line::Intent(entry)) => {
                entries.insert(entry.output.clone(), entry);
            }
            Some(Line::Cleared(output)) => {
                entries.remove(&output);
            }
            Some(Line::Unreadable { line, seen }) => unreadable.push((line, seen)),
            None => {
                let seen = String::from_utf8_lossy(line).trim_end().chars().take(400).collect();
                unreadable.push((number, seen));
            }
        }
    }
    (entries, unreadable)
}

/// Writes what is outstanding into a new file and puts it in the old one's place.
fn rewrite(
    disk: &dyn Disk,
    folder: &Path,
    path: &Path,
    entries: &BTreeMap<OutputId, LedgerEntry>,
    unreadable: &[(u64, String)],
) -> std::io::Result<(Box<dyn DiskFile>, u64)> {
    let lines = unreadable.iter().map(|(line, seen)| Line::Unreadable { line: *line, seen: seen.clone() });
    let text: String =
        entries.values().cloned().map(Line::Intent).chain(lines).map(|line| line_text(&line)).collect();
    let fresh = path.with_extension("new");
    if disk.exists(&fresh)? {
        disk.remove_file(&fresh)?;
    }
    let mut file = disk.create(&fresh)?;
    file.write_all(text.as_bytes())?;
    file.sync()?;
    disk.rename(&fresh, path)?;
    disk.sync_folder(folder)?;
    Ok((file, text.len() as u64))
}

#[cfg(test)]
mod tests;
