//! `holdgate sessions remove`, and the question that comes before anything is removed.

use std::io::BufRead;

use clap::Args;
use model::{Ending, Problem};
use record::{Archive, CatalogueLine, SessionState};

use super::select::ArchiveArgument;
use super::words::{bytes, counted, minute, plain, state};
use super::{Ended, only};
use crate::command::session::argument;
use crate::command::{complain, refuse};
use crate::consent::Asked;
use crate::sides::screen::Screen;

#[derive(Debug, Args)]
pub(super) struct Arguments {
    /// The sessions, each by its id, a beginning of it, `last`, or its folder
    #[arg(required = true, value_name = "SESSION")]
    sessions: Vec<String>,
    /// Agree beforehand
    #[arg(long)]
    yes: bool,
    #[command(flatten)]
    archive: ArchiveArgument,
}

pub(super) fn run(arguments: &Arguments, screen: &Screen) -> Ended {
    let archive = arguments.archive.open().map_err(only)?;
    let mut problems = Vec::new();
    let mut lines: Vec<CatalogueLine> = Vec::new();
    for called in &arguments.sessions {
        match archive.find(called).and_then(|line| may_go(&line).map(|()| line)) {
            Ok(line) if lines.iter().any(|known| known.path == line.path) => {}
            Ok(line) => lines.push(line),
            Err(problem) => problems.push(problem),
        }
    }
    if !problems.is_empty() {
        return Err(problems);
    }
    let lines: Vec<&CatalogueLine> = lines.iter().collect();
    Ok(ask_and_remove(&archive, &lines, arguments.yes, screen))
}

/// Refuses what is not to be removed.
fn may_go(line: &CatalogueLine) -> Result<(), Problem> {
    let refuse =
        |seen: &str, cure: &str| Err(argument("session", format!("session '{}' {seen}", line.session), cure));
    match line.state {
        SessionState::Running => refuse("is being recorded", "end it first"),
        SessionState::Crashed => refuse("was left open by a crash", "run 'holdgate sessions recover' first"),
        _ if line.notes.keep => {
            refuse("is marked to be kept", "take the mark off first: holdgate sessions keep SESSION --off")
        }
        _ if line.notes_unknown() => {
            refuse("may be marked to be kept: its notes cannot be read", "mend or remove its notes.json")
        }
        _ => Ok(()),
    }
}

/// Says what would go, asks unless that was answered beforehand, and removes it. A session that cannot be removed
/// does not keep the others.
pub(super) fn ask_and_remove(
    archive: &Archive,
    lines: &[&CatalogueLine],
    yes: bool,
    screen: &Screen,
) -> Ending {
    let size: u64 = lines.iter().filter_map(|line| Some(line.brief.as_ref()?.bytes)).sum();
    for line in lines {
        screen.line(&format!("  {}", words(line)));
    }
    let what = format!("{}, {}", counted(lines.len() as u64, "session", "sessions"), bytes(size));
    if !yes {
        complain(&format!("This removes {what}, for good. Type yes to go on, anything else to leave it:"));
        let mut answer = String::new();
        let read = std::io::stdin().lock().read_line(&mut answer);
        if read.is_err() || !Asked::agrees(&answer) {
            screen.line("nothing was removed");
            return Ending::Stopped;
        }
    }
    let problems: Vec<Problem> = lines.iter().filter_map(|line| archive.remove(line).err()).collect();
    let gone = lines.len() - problems.len();
    screen.line(&format!("{} removed", counted(gone as u64, "session", "sessions")));
    refuse(&problems)
}

fn words(line: &CatalogueLine) -> String {
    let began = line.began().map_or("-".into(), minute);
    let size = line.brief.as_ref().map_or("-".into(), |brief| bytes(brief.bytes));
    format!("{began}  {size:>9}  {}  {}", state(line), plain(&line.session))
}
