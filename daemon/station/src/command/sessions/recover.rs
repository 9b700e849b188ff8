//! `holdgate sessions recover`.

use clap::Args;
use model::Ending;
use record::RecoveryOutcome;

use super::select::ArchiveArgument;
use super::words::{counted, plain};
use super::{Ended, only};
use crate::capture::recover_rolling;
use crate::sides::screen::Screen;

#[derive(Debug, Args)]
pub(super) struct Arguments {
    #[command(flatten)]
    archive: ArchiveArgument,
}

pub(super) fn run(arguments: &Arguments, screen: &Screen) -> Ended {
    let archive = arguments.archive.open().map_err(only)?;
    let recovered = archive.recover_all().map_err(only)?;
    let mut ending = Ending::Passed;
    for session in &recovered {
        screen.line(&plain(&session.to_string()));
        if !matches!(session.outcome, RecoveryOutcome::Closed { .. }) {
            ending = Ending::BadInput;
        }
    }
    // Minutes that were promised to be kept lie in the rolling record until they are made a session.
    let kept = recover_rolling(&arguments.archive.archive);
    for line in &kept {
        screen.line(&plain(line));
        if line.starts_with("problem: ") {
            ending = Ending::BadInput;
        }
    }
    let trash = archive.empty_trash().map_err(only)?;
    if trash > 0 {
        let half = counted(trash as u64, "session", "sessions");
        screen.line(&format!("{half} that a crash left half removed: removed"));
    }
    for running in archive.unclosed().map_err(only)? {
        screen.line(&format!("{running}: is being recorded, or could not be closed: left alone"));
    }
    if recovered.is_empty() && kept.is_empty() && trash == 0 {
        screen.line("a crash left nothing here");
    }
    Ok(ending)
}
