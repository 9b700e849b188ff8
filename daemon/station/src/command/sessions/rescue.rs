//! `holdgate sessions rescue`.

use std::path::Path;

use clap::Args;
use model::Ending;
use record::SessionState;

use super::select::{ArchiveArgument, closed};
use super::words::counted;
use super::{Ended, only};
use crate::sides::screen::Screen;

#[derive(Debug, Args)]
pub(super) struct Arguments {
    /// The damaged session: its id, a beginning of it, `last`, or its folder
    session: String,
    #[command(flatten)]
    archive: ArchiveArgument,
}

pub(super) fn run(arguments: &Arguments, screen: &Screen) -> Ended {
    let archive = arguments.archive.open().map_err(only)?;
    let by_path = Path::new(&arguments.session);
    let folder = if arguments.session.contains(['/', '\\']) && by_path.is_dir() {
        by_path.to_path_buf()
    } else {
        let line = archive.find(&arguments.session).map_err(only)?;
        // One whose description is broken is just what can be rescued.
        if line.state != SessionState::Broken {
            closed(&line).map_err(only)?;
        }
        line.path
    };
    if record::inspect(&folder).map_err(only)?.is_empty() {
        screen.line("it is whole: there is nothing to rescue");
        return Ok(Ending::Passed);
    }
    let rescued = archive.rescue(&folder).map_err(only)?;
    for damage in &rescued.damages {
        screen.line(&damage.to_string());
    }
    screen.line(&format!(
        "rescued: {} ({} of them invalid), {}: {}",
        counted(rescued.samples, "reading", "readings"),
        rescued.unjudged,
        counted(rescued.events, "event", "events"),
        rescued.path.display()
    ));
    screen.line("the damaged session stays as it is");
    let lost: u64 = rescued.damages.iter().map(|damage| damage.lost).sum();
    if lost > 0 {
        screen.line(&format!("{} cannot be had any more", counted(lost, "row", "rows")));
        return Ok(Ending::Undecided);
    }
    Ok(Ending::Passed)
}
