//! `holdgate sessions verify`.

use std::path::PathBuf;

use clap::Args;
use model::Ending;
use record::SessionState;

use super::select::{ArchiveArgument, closed, copy};
use super::words::counted;
use super::{Ended, only};
use crate::command::refuse;
use crate::sides::screen::Screen;

#[derive(Debug, Args)]
pub(super) struct Arguments {
    /// The sessions, each by its id, a beginning of it, `last`, or its folder; every closed one where none is given
    sessions: Vec<String>,
    #[command(flatten)]
    archive: ArchiveArgument,
}

pub(super) fn run(arguments: &Arguments, screen: &Screen) -> Ended {
    let mut ending = Ending::Passed;
    let mut folders: Vec<(String, PathBuf)> = Vec::new();
    if arguments.sessions.is_empty() {
        for line in arguments.archive.open().map_err(only)?.catalogue().map_err(only)? {
            match (line.state, &line.problem) {
                (SessionState::Closed, _) => folders.push((line.session, line.path)),
                (SessionState::Broken, Some(problem)) => {
                    ending = ending.and(refuse(std::slice::from_ref(problem)));
                }
                _ => screen.line(&format!("{}: not closed, and not checked", line.session)),
            }
        }
    }
    let unread = ending != Ending::Passed;
    let mut problems = Vec::new();
    for called in &arguments.sessions {
        if let Some(folder) = copy(called) {
            folders.push((called.clone(), folder));
            continue;
        }
        let line = arguments.archive.open().and_then(|archive| archive.find(called));
        match line.and_then(|line| closed(&line).map(|()| line)) {
            Ok(line) => folders.push((line.session, line.path)),
            Err(problem) => problems.push(problem),
        }
    }
    if !problems.is_empty() {
        return Err(problems);
    }
    let (mut good, mut bad) = (0, 0);
    for (name, folder) in folders {
        let found = record::verify(&folder);
        if found.problems.is_empty() {
            good += 1;
            screen.line(&format!(
                "{name}: whole: {}, {}, {}",
                counted(found.files as u64, "file", "files"),
                counted(found.pages, "page", "pages"),
                counted(found.rows, "row", "rows")
            ));
        } else {
            bad += 1;
            screen.line(&format!("{name}: not whole"));
            ending = ending.and(refuse(&found.problems));
        }
    }
    let more = if unread { "; others cannot be read at all" } else { "" };
    screen.line(&format!("{} checked, {bad} not whole{more}", counted(good + bad, "session", "sessions")));
    Ok(ending)
}
