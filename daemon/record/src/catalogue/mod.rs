//! What an archive holds, told from the descriptions and notes alone: no table is opened.
//!
//! Nothing that is broken keeps anything else from being listed; it becomes a line with its problem. No index is
//! kept, because one that lies is worse than none, and reading ten thousand descriptions takes less than a second.

mod brief;
mod filter;
mod find;
mod walk;

use std::collections::BTreeMap;
use std::path::PathBuf;

use model::{Problem, Span};

use crate::archive::Archive;
use crate::notes::Notes;

pub use brief::SessionBrief;
pub use filter::{EndingFilter, Filter, Matches};

/// What a folder of an archive is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, serde::Serialize)]
#[serde(rename_all = "snake_case")]
pub enum SessionState {
    /// A closed session.
    Closed,
    /// A session that a program is recording now.
    Running,
    /// A session that a crash left, and that nobody has closed yet.
    Crashed,
    /// A folder whose session cannot be read: its description is broken, or its journal was moved aside.
    Broken,
}

/// A session as it is listed.
#[derive(Debug, Clone)]
pub struct CatalogueLine {
    /// Name of its folder, which is its id.
    pub session: String,
    /// Its folder.
    pub path: PathBuf,
    /// What it is.
    pub state: SessionState,
    /// What it says of itself, where that can be read.
    pub brief: Option<SessionBrief>,
    /// What people say of it; empty where that cannot be read, and then there is a problem.
    pub notes: Notes,
    /// What stood in the way of reading its description or its notes.
    pub problem: Option<Problem>,
    /// When its description was written, as the disk has it: the order of sessions that began at one moment.
    written: std::time::Duration,
}

impl CatalogueLine {
    /// When it began, as it was corrected: UTC in nanoseconds since 1970-01-01T00:00:00Z.
    pub fn began(&self) -> Option<i64> {
        self.brief.as_ref().map(|brief| self.notes.corrected(brief.utc_nanos))
    }

    /// From its first record to its last.
    pub fn lasted(&self) -> Option<Span> {
        let brief = self.brief.as_ref()?;
        Some(brief.last?.since(brief.first?))
    }

    /// Its tags as they stand now.
    pub fn tags(&self) -> BTreeMap<String, String> {
        self.brief.as_ref().map(|brief| self.notes.tags_over(&brief.tags)).unwrap_or_default()
    }

    /// Whether its notes could not be read, so that its tags, its date and whether it is kept are not known.
    pub fn notes_unknown(&self) -> bool {
        self.state == SessionState::Closed && self.problem.is_some()
    }

    #[cfg(test)]
    pub(crate) fn for_tests(session: &str, path: &std::path::Path) -> Self {
        let (state, notes) = (SessionState::Closed, Notes::default());
        let written = std::time::Duration::ZERO;
        let (session, path) = (session.into(), path.into());
        Self { session, path, state, brief: None, notes, problem: None, written }
    }

    /// The order in which sessions are listed: newest first.
    fn order(&self) -> (i64, std::time::Duration, &str) {
        (self.began().unwrap_or(i64::MIN), self.written, &self.session)
    }
}

impl Archive {
    /// Every session of the archive, newest first: closed ones, those that run, those that a crash left, and what
    /// cannot be read, which comes last. Fails only where the archive itself cannot be listed.
    pub fn catalogue(&self) -> Result<Vec<CatalogueLine>, Problem> {
        let mut lines = walk::closed(self.layout())?;
        lines.extend(walk::open(self)?);
        lines.extend(walk::aside(self.layout())?);
        lines.sort_by(|a, b| b.order().cmp(&a.order()));
        Ok(lines)
    }
}

#[cfg(test)]
mod tests;
