//! Which session a person means.

use std::path::{Path, PathBuf};

use clap::Args;
use model::Problem;
use record::{Archive, CatalogueLine, SessionState};

use crate::command::session::argument;

/// The archive.
#[derive(Debug, Args)]
pub(in crate::command) struct ArchiveArgument {
    /// The folder of recorded sessions
    #[arg(long, default_value = "archive", value_name = "FOLDER")]
    pub(in crate::command) archive: PathBuf,
}

impl ArchiveArgument {
    /// An archive that is there already.
    pub(in crate::command) fn open(&self) -> Result<Archive, Problem> {
        Archive::existing(&self.archive)
    }

    /// The folder of a closed session that is only read: one of the archive by its id, a beginning of it, `last` or
    /// its path, or any folder with a session in it, such as a copy, by its path.
    pub(in crate::command) fn closed_to_read(&self, called: &str) -> Result<PathBuf, Problem> {
        if let Some(copy) = copy(called) {
            return Ok(copy);
        }
        let line = self.open()?.find(called)?;
        closed(&line)?;
        Ok(line.path)
    }
}

/// The folder of a session that is given by its path.
pub(super) fn copy(called: &str) -> Option<PathBuf> {
    let path = Path::new(called);
    let by_path = called.contains(['/', '\\']) || matches!(called, "." | "..");
    (by_path && path.join("session.json").is_file()).then(|| path.to_path_buf())
}

/// Refuses a session that is not closed, or that cannot be read.
pub(super) fn closed(line: &CatalogueLine) -> Result<(), Problem> {
    let refuse =
        |seen: &str, cure: &str| Err(argument("session", format!("session '{}' {seen}", line.session), cure));
    match line.state {
        SessionState::Closed => Ok(()),
        SessionState::Running => refuse("is being recorded", "wait until it has ended, or end it"),
        SessionState::Crashed => refuse("was left open by a crash", "run 'holdgate sessions recover' first"),
        SessionState::Broken => match &line.problem {
            Some(problem) => Err(problem.clone()),
            None => refuse("cannot be read", "restore its folder from a copy"),
        },
    }
}
