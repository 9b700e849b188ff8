//! An archive: begins sessions, and closes at the start what a crash left open.

use std::fmt;
use std::io;
use std::path::{Path, PathBuf};
use std::sync::Arc;

use model::{Problem, SessionId, Span};

use crate::card::{Cut, count};
use crate::close::{HeadFault, close, head_of};
use crate::disk::{Disk, RealDisk, Thing, create_folders};
use crate::head::SessionHead;
use crate::layout::{CARD, JOURNAL, Layout, check_car, session_of};
use crate::problem::{argument, damaged, on_disk};
use crate::writer::{ClosedSession, DEFAULT_SYNC_INTERVAL, SessionWriter};

/// A session that a crash left, and what became of it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Recovered {
    /// Name of its folder.
    pub session: String,
    /// Where it lies now.
    pub path: PathBuf,
    /// What became of it.
    pub outcome: RecoveryOutcome,
}

/// What became of a session that a crash left.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum RecoveryOutcome {
    /// It is closed, with everything that is whole.
    Closed {
        /// What it holds.
        closed: ClosedSession,
        /// What could not be used.
        cut: Option<Cut>,
    },
    /// Nothing in it can be read; it was moved aside.
    MovedAside(Problem),
    /// The disk stood in the way; it stays where it is, and the next start tries again.
    Left(Problem),
}

impl fmt::Display for Recovered {
    /// One line for whoever started the program.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "session {} of a former run ", self.session)?;
        match &self.outcome {
            RecoveryOutcome::Closed { closed, cut } => {
                let (samples, events) = (count(closed.samples, "reading"), count(closed.events, "event"));
                write!(f, "is recovered, with {samples} and {events}")?;
                match closed.ending {
                    Some(_) => {}
                    None => f.write_str("; it breaks off without an ending")?,
                }
                if let Some(cut) = cut {
                    write!(f, "; {cut}")?;
                }
            }
            RecoveryOutcome::MovedAside(problem) => {
                write!(f, "could not be read and is kept aside: {problem}")?;
            }
            RecoveryOutcome::Left(problem) => write!(f, "could not be closed yet: {problem}")?,
        }
        write!(f, " ({})", self.path.display())
    }
}

/// A folder of sessions.
pub struct Archive {
    disk: Arc<dyn Disk>,
    layout: Layout,
    interval: Span,
}

impl Archive {
    /// Opens the archive in an existing or new folder, and closes what a crash left. Sessions that another
    /// program is recording are left alone.
    pub fn open(root: &Path) -> Result<(Self, Vec<Recovered>), Problem> {
        let archive = Self::unrecovered(root)?;
        let recovered = archive.recover_all()?;
        Ok((archive, recovered))
    }

    /// Opens the archive in an existing or new folder and leaves what a crash left for
    /// [`Archive::recover_all`]: on a wire that may still hold something, closing an old record must not come
    /// before the release.
    pub fn unrecovered(root: &Path) -> Result<Self, Problem> {
        std::fs::create_dir_all(root).map_err(|e| on_disk(root, "making the archive", &e))?;
        Ok(Self::on(Arc::new(RealDisk), root))
    }

    /// Opens an archive that is there already, without writing anything in it.
    pub fn existing(root: &Path) -> Result<Self, Problem> {
        if root.is_dir() {
            return Ok(Self::on(Arc::new(RealDisk), root));
        }
        let seen = format!("there is no folder '{}'", root.display());
        Err(argument("--archive", seen, "name the folder in which sessions were recorded"))
    }

    fn on(disk: Arc<dyn Disk>, root: &Path) -> Self {
        Self { disk, layout: Layout::new(root), interval: DEFAULT_SYNC_INTERVAL }
    }

    #[cfg(test)]
    pub(crate) fn on_disk(disk: Arc<dyn Disk>, root: &Path) -> Self {
        Self::on(disk, root)
    }

    #[cfg(test)]
    pub(crate) fn open_on(disk: Arc<dyn Disk>, root: &Path) -> Result<(Self, Vec<Recovered>), Problem> {
        let archive = Self::on(disk, root);
        let recovered = archive.recover_all()?;
        Ok((archive, recovered))
    }

    /// Closes what a crash left. Sessions that another program is recording are left alone.
    pub fn recover_all(&self) -> Result<Vec<Recovered>, Problem> {
        let open = self.layout.open();
        let seen = |e: io::Error| on_disk(&open, "looking for open sessions", &e);
        match self.disk.look(&open).map_err(seen)? {
            // Nothing was ever recorded here. Nothing is made either, so that a read-only archive can be read.
            None => return Ok(Vec::new()),
            Some(Thing::Folder) => {}
            Some(_) => return Err(seen(io::Error::from(io::ErrorKind::NotADirectory))),
        }
        let entries = self.disk.list(&open).map_err(seen)?;
        let folders = entries.into_iter().filter(|entry| entry.folder);
        Ok(folders.filter_map(|entry| self.recover(&entry.name)).collect())
    }

    pub(crate) fn layout(&self) -> &Layout {
        &self.layout
    }

    pub(crate) fn disk(&self) -> &dyn Disk {
        &*self.disk
    }

    /// Sets how much time may pass between two syncs of the sessions begun from now on.
    pub fn set_sync_interval(&mut self, interval: Span) {
        self.interval = interval;
    }

    /// Begins a session. Refuses a car that cannot name a folder, a session that exists, and a head that
    /// would not read back.
    pub fn begin(&self, head: SessionHead) -> Result<SessionWriter, Problem> {
        check_car(&head.car)?;
        SessionWriter::begin(&self.disk, &self.layout, head, self.interval)
    }

    /// The folders of all closed sessions, by car, day and id.
    pub fn sessions(&self) -> Result<Vec<PathBuf>, Problem> {
        let mut folders = vec![self.layout.root().to_path_buf()];
        for prefix in ["car=", "date=", ""] {
            let mut below = Vec::new();
            for folder in folders {
                let list =
                    self.disk.list(&folder).map_err(|e| on_disk(&folder, "listing the archive", &e))?;
                let wanted = list.into_iter().filter(|e| e.folder && e.name.starts_with(prefix));
                below.extend(wanted.map(|e| folder.join(e.name)));
            }
            folders = below;
        }
        let mut closed = Vec::new();
        for folder in folders {
            if self
                .disk
                .exists(&folder.join(CARD))
                .map_err(|e| on_disk(&folder, "listing the archive", &e))?
            {
                closed.push(folder);
            }
        }
        Ok(closed)
    }

    /// Removes a session that a crash left open, for whoever has what is in it elsewhere too. One that another program
    /// is recording is left alone; one that is not there is fine.
    pub fn discard(&self, session: &SessionId) -> Result<(), Problem> {
        let open = self.layout.open_session(session.as_str());
        let failed = |e: io::Error| on_disk(&open, "removing a session", &e);
        if !self.disk.exists(&open).map_err(failed)? {
            return Ok(());
        }
        let lock_path = self.layout.session_lock(session.as_str());
        let Some(lock) = self.disk.lock(&lock_path).map_err(|e| on_disk(&lock_path, "locking", &e))? else {
            return Ok(());
        };
        self.disk.remove_folder(&open).map_err(failed)?;
        if let Err(error) = self.disk.remove_file(&lock_path) {
            tracing::warn!(%error, path = %lock_path.display(), "a lock file stays behind");
        }
        drop(lock);
        Ok(())
    }

    /// The names of sessions that are being recorded, or that a crash left and nobody has closed yet.
    pub fn unclosed(&self) -> Result<Vec<String>, Problem> {
        let open = self.layout.open();
        let seen = |e: io::Error| on_disk(&open, "looking for open sessions", &e);
        if !self.disk.exists(&open).map_err(seen)? {
            return Ok(Vec::new());
        }
        let folders = self.disk.list(&open).map_err(seen)?.into_iter().filter(|entry| entry.folder);
        Ok(folders.map(|entry| entry.name).collect())
    }

    /// Deals with one folder of an open session; `None` when another program is recording it, or when nothing
    /// had been recorded in it.
    fn recover(&self, name: &str) -> Option<Recovered> {
        let open = self.layout.open_session(name);
        let left = |problem| Recovered {
            session: name.to_owned(),
            path: open.clone(),
            outcome: RecoveryOutcome::Left(problem),
        };
        let lock_path = self.layout.session_lock(name);
        let lock = match self.disk.lock(&lock_path) {
            Ok(lock) => lock?,
            Err(e) => return Some(left(on_disk(&lock_path, "locking", &e))),
        };
        let recovered = match self.try_recover(name, &open) {
            Ok(recovered) => recovered,
            Err(problem) => return Some(left(problem)),
        };
        if let Err(error) = self.disk.remove_file(&lock_path) {
            tracing::warn!(%error, path = %lock_path.display(), "a lock file stays behind");
        }
        drop(lock);
        recovered
    }

    fn try_recover(&self, name: &str, open: &Path) -> Result<Option<Recovered>, Problem> {
        let journal = open.join(JOURNAL);
        let looking = |e: io::Error| on_disk(&journal, "looking for the journal", &e);
        if !self.disk.exists(open).map_err(looking)? {
            // Another program closed it just now.
            return Ok(None);
        }
        if !self.disk.exists(&journal).map_err(looking)? {
            return self.without_journal(name, open);
        }
        let outcome = match self.check_head(name, &journal) {
            Ok(()) => {
                let (closed, cut) = close(&*self.disk, &self.layout, open, true)?;
                let path = closed.path.clone();
                return Ok(Some(Recovered {
                    session: name.to_owned(),
                    path,
                    outcome: RecoveryOutcome::Closed { closed, cut },
                }));
            }
            Err(HeadFault::Disk(problem)) => return Err(problem),
            Err(HeadFault::Broken(problem)) => RecoveryOutcome::MovedAside(problem),
        };
        let path = self.move_aside(name, open)?;
        Ok(Some(Recovered { session: name.to_owned(), path, outcome }))
    }

    /// The session was only about to begin, or its journal was just removed after closing; anything else is kept.
    fn without_journal(&self, name: &str, open: &Path) -> Result<Option<Recovered>, Problem> {
        let within = self.disk.list(open).map_err(|e| on_disk(open, "looking into the folder", &e))?;
        if within.is_empty() {
            self.disk.remove_folder(open).map_err(|e| on_disk(open, "removing an empty folder", &e))?;
            return Ok(None);
        }
        let cure = "look into it, and remove it when nothing in it is wanted";
        let outcome = RecoveryOutcome::MovedAside(damaged(open, "its journal is gone", cure));
        let path = self.move_aside(name, open)?;
        Ok(Some(Recovered { session: name.to_owned(), path, outcome }))
    }

    fn check_head(&self, name: &str, journal: &Path) -> Result<(), HeadFault> {
        let head = head_of(&*self.disk, journal)?.head;
        check_car(&head.car).map_err(HeadFault::Broken)?;
        if session_of(name).as_ref() == Some(&head.session) {
            Ok(())
        } else {
            let seen = format!("it is of session '{}', but lies in the folder of '{name}'", head.session);
            Err(HeadFault::Broken(damaged(journal, seen, "keep it for an expert, or remove it")))
        }
    }

    fn move_aside(&self, name: &str, open: &Path) -> Result<PathBuf, Problem> {
        let broken = self.layout.broken();
        let failed = |e: io::Error| on_disk(&broken, "moving a broken session aside", &e);
        create_folders(&*self.disk, self.layout.root(), &broken).map_err(failed)?;
        let mut to = broken.join(name);
        for again in 2.. {
            if !self.disk.exists(&to).map_err(failed)? {
                break;
            }
            to = broken.join(format!("{name}-{again}"));
        }
        self.disk.rename(open, &to).map_err(failed)?;
        self.disk.sync_folder(&broken).map_err(failed)?;
        self.disk.sync_folder(&self.layout.open()).map_err(failed)?;
        Ok(to)
    }
}

#[cfg(test)]
mod adverse_tests;
#[cfg(test)]
mod crash_tests;
#[cfg(test)]
mod tests;
