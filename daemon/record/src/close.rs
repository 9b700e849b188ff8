//! From a journal to a closed session: the one way for a session that ends and one that a crash left.
//!
//! The journal is read twice, a frame at a time: once to count and to find what ties its clock to UTC, once to write the
//! tables a row group at a time. Memory is bounded by a frame and a row group, whatever the session's length.

use std::path::{Path, PathBuf};

use model::{Ending, Event, Moment, Problem};

use crate::card::{Cut, SessionCard, hex};
use crate::disk::{Disk, create_folders, read_all};
use crate::files::SessionFiles;
use crate::head::SessionHead;
use crate::journal::{FoundHead, Frame, JournalReader, NoHead, VERSION, find_head};
use crate::layout::{CARD, CLOSING, JOURNAL, Layout};
use crate::problem::{damaged, on_disk};
use crate::row::Row;
use crate::tables::{Anchors, TableHead};
use crate::writer::ClosedSession;

/// What a first reading of a journal finds.
struct Survey {
    found: FoundHead,
    ending: Option<Ending>,
    anchors: Anchors,
    samples: u64,
    gaps: u64,
    events: u64,
    first: Option<Moment>,
    last: Option<Moment>,
    cut: Option<Cut>,
}

/// Closes the journal in `open`. Whatever stops it, the journal stays as it is until the tables lie synced in
/// their place, so that this can be tried again.
pub(crate) fn close(
    disk: &dyn Disk,
    layout: &Layout,
    open: &Path,
    recovered: bool,
) -> Result<(ClosedSession, Option<Cut>), Problem> {
    let step = |at: &Path, doing: &'static str| {
        let at = at.to_path_buf();
        move |e: std::io::Error| on_disk(&at, doing, &e)
    };
    let journal = open.join(JOURNAL);
    let survey = survey(disk, &journal)?;
    let target = layout.closed(&survey.found.head)?;
    let cut = survey.cut.clone();

    let parent = target.parent().expect("a session lies in its day's folder").to_path_buf();
    let folders = || create_folders(disk, layout.root(), &parent).map_err(step(&parent, "making the folder"));

    let closed = if disk.exists(&target).map_err(step(&target, "looking for the folder"))? {
        // The program ended between the rename and the removal of the journal. Whether the names were synced is not
        // known, and the journal must not go before they are.
        let closed = verify(disk, &target, &survey.found.head)?;
        folders()?;
        disk.sync_folder(&parent).map_err(step(&parent, "syncing the folder"))?;
        closed
    } else {
        let work = open.join(CLOSING);
        if disk.exists(&work).map_err(step(&work, "looking for the folder"))? {
            disk.remove_folder(&work).map_err(step(&work, "removing a half-closed session"))?;
        }
        disk.create_folder(&work).map_err(step(&work, "making the folder"))?;
        let mut closed = write_files(disk, &journal, &work, survey, recovered)?;
        disk.sync_folder(&work).map_err(step(&work, "syncing the folder"))?;
        folders()?;
        disk.rename(&work, &target).map_err(step(&target, "putting the session in its place"))?;
        disk.sync_folder(&parent).map_err(step(&parent, "syncing the folder"))?;
        closed.path = target;
        closed
    };

    disk.remove_folder(open).map_err(step(open, "removing the journal"))?;
    disk.sync_folder(&layout.open()).map_err(step(&layout.open(), "syncing the folder"))?;
    Ok((closed, cut))
}

/// Why a journal's head cannot be had.
pub(crate) enum HeadFault {
    /// The disk cannot be read now; the journal may be good.
    Disk(Problem),
    /// No head can be read, and none ever will be.
    Broken(Problem),
}

impl From<HeadFault> for Problem {
    fn from(fault: HeadFault) -> Self {
        match fault {
            HeadFault::Disk(problem) | HeadFault::Broken(problem) => problem,
        }
    }
}

/// The head of a journal alone.
pub(crate) fn head_of(disk: &dyn Disk, journal: &Path) -> Result<FoundHead, HeadFault> {
    let unread = |e: std::io::Error| HeadFault::Disk(on_disk(journal, "reading the journal", &e));
    let source = disk.read(journal).map_err(unread)?;
    find_head(source).map_err(unread)?.map_err(|why| {
        let cure = match why {
            NoHead::Version(version) if version < VERSION => {
                "close it with the version of this program that recorded it"
            }
            NoHead::Version(_) => "close it with a newer version of this program",
            NoHead::Empty => "remove it",
            NoHead::Damaged => "keep it for an expert, or remove it",
        };
        HeadFault::Broken(damaged(journal, why.to_string(), cure))
    })
}

fn survey(disk: &dyn Disk, journal: &Path) -> Result<Survey, Problem> {
    let head = head_of(disk, journal)?;
    let mut found = Survey {
        anchors: Anchors::new(head.head.utc_nanos),
        found: head,
        ending: None,
        samples: 0,
        gaps: 0,
        events: 0,
        first: None,
        last: None,
        cut: None,
    };
    let read = |e: std::io::Error| on_disk(journal, "reading the journal", &e);
    let mut reader = JournalReader::new(disk.read(journal).map_err(read)?, &found.found);
    while let Some(frame) = reader.next().map_err(read)? {
        match frame {
            Frame::Samples(rows) => {
                for row in &rows {
                    match row {
                        Row::Sample(_) => found.samples += 1,
                        Row::Gap(_) => found.gaps += 1,
                    }
                    found.saw(row.at());
                }
            }
            Frame::Event(event, _) => {
                found.events += 1;
                found.saw(event.at);
                match &event.event {
                    Event::Anchor { utc_nanos, uncertainty, source } => {
                        found.anchors.add(event.at, *utc_nanos, *uncertainty, source);
                    }
                    // A session that ended, but was not closed before a crash.
                    Event::SessionEnded { ending } => found.ending = Some(*ending),
                    _ => {}
                }
            }
            Frame::End(ending) => found.ending = Some(ending),
            Frame::Exchanges(exchanges) => exchanges.iter().for_each(|exchange| found.saw(exchange.at)),
        }
    }
    found.cut = reader.finish();
    Ok(found)
}

impl Survey {
    fn saw(&mut self, at: Moment) {
        self.first = Some(self.first.map_or(at, |first| first.min(at)));
        self.last = Some(self.last.map_or(at, |last| last.max(at)));
    }
}

/// Second reading: everything into the tables, a row group at a time.
fn write_files(
    disk: &dyn Disk,
    journal: &Path,
    work: &Path,
    survey: Survey,
    recovered: bool,
) -> Result<ClosedSession, Problem> {
    let about = TableHead { head: &survey.found.head, anchors: &survey.anchors };
    let mut files = SessionFiles::create(disk, work, about)?;
    let read = |e: std::io::Error| on_disk(journal, "reading the journal", &e);
    let mut reader = JournalReader::new(disk.read(journal).map_err(read)?, &survey.found);
    while let Some(frame) = reader.next().map_err(read)? {
        match frame {
            Frame::Samples(rows) => rows.iter().try_for_each(|row| files.row(row))?,
            Frame::Event(event, json) => files.event(&event, json)?,
            Frame::Exchanges(exchanges) => exchanges.into_iter().try_for_each(|one| files.exchange(one))?,
            Frame::End(_) => {}
        }
    }
    let card = SessionCard {
        schema: crate::RECORD_VERSION,
        head: survey.found.head.clone(),
        ending: survey.ending,
        samples: survey.samples,
        gaps: survey.gaps,
        events: survey.events,
        first: survey.first,
        last: survey.last,
        files: Vec::new(),
        recovered,
        cut: survey.cut,
        card_sha256: String::new(),
    };
    let (card, bytes) = files.finish(card)?;
    Ok(closed_session(work, &card, bytes))
}

fn closed_session(path: &Path, card: &SessionCard, bytes: u64) -> ClosedSession {
    let SessionCard { samples, events, ending, .. } = *card;
    ClosedSession { path: path.to_path_buf(), samples, events, ending, bytes }
}

/// Refuses to give up a journal for a folder that does not hold the same session whole.
fn verify(disk: &dyn Disk, target: &Path, head: &SessionHead) -> Result<ClosedSession, Problem> {
    let path = target.join(CARD);
    let text = read_all(disk, &path).map_err(|e| on_disk(&path, "reading the session's description", &e))?;
    let card = SessionCard::from_bytes(&text, &path)?;
    if card.head != *head {
        let seen = "it lies where the session of another journal should lie";
        return Err(damaged(target, seen, "rename one of the two by hand"));
    }
    let mut bytes = text.len() as u64;
    for file in &card.files {
        let path: PathBuf = target.join(&file.name);
        let mut source = disk.read(&path).map_err(|e| on_disk(&path, "reading the table", &e))?;
        check_digest(&mut *source, &path, &file.sha256)?;
        bytes += file.bytes;
    }
    Ok(closed_session(target, &card, bytes))
}

/// Refuses a file that is not, to the bit, what was written.
pub(crate) fn check_digest(source: &mut dyn std::io::Read, path: &Path, wanted: &str) -> Result<(), Problem> {
    use sha2::Digest;
    let mut digest = sha2::Sha256::new();
    std::io::copy(source, &mut digest).map_err(|e| on_disk(path, "reading the table", &e))?;
    if hex(&digest.finalize()) == wanted {
        Ok(())
    } else {
        let seen = "its digest does not match: it is damaged or was changed";
        Err(damaged(
            path,
            seen,
            "restore the session's folder from a copy, or see what 'holdgate sessions rescue' can have of it",
        ))
    }
}
