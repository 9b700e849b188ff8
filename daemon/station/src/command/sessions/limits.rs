//! `holdgate sessions limits`.

use clap::Args;
use model::Ending;
use record::{Limits, SessionState};

use super::remove::ask_and_remove;
use super::select::ArchiveArgument;
use super::words::{bytes, bytes_of, counted, plain};
use super::{Ended, only};
use crate::command::complain;
use crate::command::session::argument;
use crate::sides::screen::Screen;

#[derive(Debug, Args)]
pub(super) struct Arguments {
    /// Bytes of all sessions together: 20GB, 500MB, 2GiB
    #[arg(long, value_name = "SIZE")]
    max_bytes: Option<String>,
    /// Days since a session began
    #[arg(long, value_name = "DAYS")]
    max_age: Option<u32>,
    /// How many sessions
    #[arg(long, value_name = "N")]
    max_count: Option<usize>,
    /// Agree beforehand
    #[arg(long)]
    yes: bool,
    #[command(flatten)]
    archive: ArchiveArgument,
}

pub(super) fn run(arguments: &Arguments, screen: &Screen) -> Ended {
    let bytes_limit = match &arguments.max_bytes {
        None => None,
        Some(text) => Some(bytes_of(text).ok_or_else(|| {
            let seen = format!("'{}' is not a size", plain(text));
            only(argument("--max-bytes", seen, "write for example 20GB, 500MB or 2GiB"))
        })?),
    };
    let limits = Limits { bytes: bytes_limit, days: arguments.max_age, count: arguments.max_count };
    if limits.is_none() {
        let seen = "no limit is given".to_string();
        return Err(only(argument("limits", seen, "give --max-bytes, --max-age or --max-count")));
    }
    let archive = arguments.archive.open().map_err(only)?;
    let lines = archive.catalogue().map_err(only)?;
    let closed = || lines.iter().filter(|line| line.state == SessionState::Closed);
    let size: u64 = closed().filter_map(|line| Some(line.brief.as_ref()?.bytes)).sum();
    let kept = closed().filter(|line| line.notes.keep).count();
    screen.line(&format!(
        "{}, {}, {kept} of them marked to be kept",
        counted(closed().count() as u64, "session", "sessions"),
        bytes(size)
    ));
    // Nobody knows whether these are to be kept.
    let unknown: Vec<_> = closed().filter(|line| line.notes_unknown()).collect();
    for problem in unknown.iter().filter_map(|line| line.problem.as_ref()) {
        complain(&format!("problem: {problem}"));
    }
    let graver = if unknown.is_empty() { Ending::Passed } else { Ending::BadInput };
    let going = limits.exceeding(&lines, clock::Clock::real().anchor().utc_nanos);
    if going.is_empty() {
        screen.line("nothing has to go");
        return Ok(graver);
    }
    Ok(ask_and_remove(&archive, &going, arguments.yes, screen).and(graver))
}
