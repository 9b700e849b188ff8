//! `holdgate report`.

use std::path::PathBuf;

use clap::Args;
use model::Ending;

use super::refuse;
use crate::sides::screen::{Screen, Style};

#[derive(Debug, Args)]
pub(super) struct Arguments {
    /// The session's folder
    session: PathBuf,
    /// Write it as JSON
    #[arg(long)]
    json: bool,
}

pub(super) fn run(arguments: &Arguments) -> Ending {
    let session = match record::read_session(&arguments.session) {
        Ok(session) => session,
        Err(problem) => return refuse(&[problem]),
    };
    let screen = Screen::terminal(Style::Plain);
    match report::summarise(&session) {
        Ok(summary) if arguments.json => match serde_json::to_string_pretty(&summary) {
            Ok(text) => screen.line(&text),
            Err(error) => tracing::error!(%error, "the summary could not be written as JSON"),
        },
        Ok(summary) => screen.line(&summary.to_string()),
        Err(problem) => return refuse(&[problem]),
    }
    Ending::Passed
}
