//! `holdgate sessions`: finding recorded sessions again, saying what one knows of them, checking and removing them.

mod edit;
mod limits;
mod list;
mod recover;
mod remove;
mod rescue;
pub(super) mod select;
mod show;
mod verify;
mod words;

use clap::{Args, Subcommand};
use model::{Ending, Problem};

use super::refuse;
use crate::sides::screen::{Screen, Style};

pub(super) use words::time_of;

#[derive(Debug, Args)]
#[command(args_conflicts_with_subcommands = true)]
pub(super) struct Arguments {
    #[command(subcommand)]
    command: Option<Command>,
    #[command(flatten)]
    list: list::Arguments,
}

#[derive(Debug, Subcommand)]
enum Command {
    /// List sessions, newest first; what `holdgate sessions` alone does
    List(list::Arguments),
    /// Show what one session is: its channels, tags, job and notes
    Show(show::Arguments),
    /// Add, change or remove tags of a session
    Tag(edit::TagArguments),
    /// Add a note to a session
    Note(edit::NoteArguments),
    /// Correct when a session began, where the computer's clock was wrong
    Date(edit::DateArguments),
    /// Mark a session so that no limit removes it
    Keep(edit::KeepArguments),
    /// Check sessions to the last page: digests, checksums, counts
    Verify(verify::Arguments),
    /// Close what a crash left, and say what was cut
    Recover(recover::Arguments),
    /// Record what can be had of a damaged session once more, as a session of its own
    Rescue(rescue::Arguments),
    /// Remove sessions for good
    Remove(remove::Arguments),
    /// Remove the oldest sessions until the archive is within its limits
    Limits(limits::Arguments),
}

pub(super) fn run(arguments: &Arguments) -> Ending {
    let screen = Screen::terminal(Style::Plain);
    let ended = match arguments.command.as_ref() {
        None => list::run(&arguments.list, &screen),
        Some(Command::List(arguments)) => list::run(arguments, &screen),
        Some(Command::Show(arguments)) => show::run(arguments, &screen),
        Some(Command::Tag(arguments)) => edit::tag(arguments, &screen),
        Some(Command::Note(arguments)) => edit::note(arguments, &screen),
        Some(Command::Date(arguments)) => edit::date(arguments, &screen),
        Some(Command::Keep(arguments)) => edit::keep(arguments, &screen),
        Some(Command::Verify(arguments)) => verify::run(arguments, &screen),
        Some(Command::Recover(arguments)) => recover::run(arguments, &screen),
        Some(Command::Rescue(arguments)) => rescue::run(arguments, &screen),
        Some(Command::Remove(arguments)) => remove::run(arguments, &screen),
        Some(Command::Limits(arguments)) => limits::run(arguments, &screen),
    };
    ended.unwrap_or_else(|problems| refuse(&problems))
}

/// How a command ended, or every mistake that kept it from beginning.
type Ended = Result<Ending, Vec<Problem>>;

/// One problem as all there are.
fn only(problem: Problem) -> Vec<Problem> {
    vec![problem]
}
