//! `holdgate sessions tag`, `note`, `date` and `keep`: what people say of a session afterwards.

use clap::Args;
use model::{Ending, Problem};
use record::{CatalogueLine, Note, Notes, check_note, check_tag, edit_notes, utc_of, utc_text};

use super::select::{ArchiveArgument, closed};
use super::words::plain;
use super::{Ended, only};
use crate::command::session::argument;
use crate::sides::screen::Screen;

#[derive(Debug, Args)]
pub(super) struct TagArguments {
    /// The session: its id, a beginning of it, `last`, or its folder
    session: String,
    /// Tags to add or change
    #[arg(value_name = "KEY=VALUE", required_unless_present = "remove")]
    tags: Vec<String>,
    /// A tag to remove; may be given again
    #[arg(long, value_name = "KEY")]
    remove: Vec<String>,
    #[command(flatten)]
    archive: ArchiveArgument,
}

#[derive(Debug, Args)]
pub(super) struct NoteArguments {
    /// The session: its id, a beginning of it, `last`, or its folder
    session: String,
    /// What should be remembered
    #[arg(required = true, value_name = "TEXT")]
    text: Vec<String>,
    #[command(flatten)]
    archive: ArchiveArgument,
}

#[derive(Debug, Args)]
pub(super) struct DateArguments {
    /// The session: its id, a beginning of it, `last`, or its folder
    session: String,
    /// When it really began: 2026-11-25T08:00, in UTC or with an offset such as +02:00
    #[arg(value_name = "DATETIME", required_unless_present = "off", conflicts_with = "off")]
    date: Option<String>,
    /// Take the correction back
    #[arg(long)]
    off: bool,
    #[command(flatten)]
    archive: ArchiveArgument,
}

#[derive(Debug, Args)]
pub(super) struct KeepArguments {
    /// The session: its id, a beginning of it, `last`, or its folder
    session: String,
    /// Take the mark off
    #[arg(long)]
    off: bool,
    #[command(flatten)]
    archive: ArchiveArgument,
}

pub(super) fn tag(arguments: &TagArguments, screen: &Screen) -> Ended {
    let mut problems = Vec::new();
    let mut set = Vec::new();
    for text in &arguments.tags {
        match text.split_once('=') {
            Some((key, value)) => {
                problems.extend(check_tag(key.trim(), value).err());
                set.push((key.trim(), value));
            }
            None => {
                let seen = format!("'{}' is not KEY=VALUE", plain(text));
                problems.push(argument("tag", seen, "write for example fuel=e10"));
            }
        }
    }
    if !problems.is_empty() {
        return Err(problems);
    }
    let line = found(&arguments.archive, &arguments.session)?;
    let recorded = line.brief.as_ref().map(|brief| brief.tags.clone()).unwrap_or_default();
    let notes = edit_notes(&line.path, |notes| {
        for key in &arguments.remove {
            if !notes.remove_tag(key, &recorded) {
                let known = notes.tags_over(&recorded);
                let near = model::nearest(key, known.keys().map(String::as_str));
                let cure = near.map_or("'holdgate sessions show' lists its tags".into(), |near| {
                    format!("did you mean '{near}'?")
                });
                let seen = format!("the session has no tag '{}'", plain(key));
                return Err(argument("--remove", seen, &cure));
            }
        }
        set.iter().for_each(|(key, value)| notes.set_tag(key, value, &recorded));
        Ok(())
    })
    .map_err(only)?;
    let tags = notes.tags_over(&recorded);
    let told: Vec<String> = tags.iter().map(|(key, value)| plain(&format!("{key}={value}"))).collect();
    let told = if told.is_empty() { "no tags".into() } else { told.join(", ") };
    screen.line(&format!("{}: {told}", line.session));
    Ok(Ending::Passed)
}

pub(super) fn note(arguments: &NoteArguments, screen: &Screen) -> Ended {
    let text = arguments.text.join(" ");
    check_note(&text).map_err(only)?;
    let line = found(&arguments.archive, &arguments.session)?;
    let utc_nanos = clock::Clock::real().anchor().utc_nanos;
    let notes = change(&line, |notes| notes.notes.push(Note { utc_nanos, text: text.clone() }))?;
    screen.line(&format!("{}: note {} is written", line.session, notes.notes.len()));
    Ok(Ending::Passed)
}

pub(super) fn date(arguments: &DateArguments, screen: &Screen) -> Ended {
    let wanted = match &arguments.date {
        None => None,
        Some(text) => {
            let cure = "write for example 2026-11-25T08:00 or 2026-11-25T10:00+02:00";
            let seen = || format!("'{}' is not a date and time", plain(text));
            // A day alone would move the session to midnight.
            let read = utc_of(text).filter(|_| text.trim().len() > 10);
            Some(read.ok_or_else(|| only(argument("DATETIME", seen(), cure)))?.0)
        }
    };
    let line = found(&arguments.archive, &arguments.session)?;
    let recorded = line.brief.as_ref().map_or(0, |brief| brief.utc_nanos);
    let correction = wanted.map_or(0, |wanted| wanted.saturating_sub(recorded));
    let notes = change(&line, |notes| notes.date_correction_ns = correction)?;
    let began = utc_text(notes.corrected(recorded));
    let recorded = utc_text(recorded);
    screen.line(&match correction {
        0 => format!("{}: began {began}, as it was recorded", line.session),
        _ => format!("{}: began {began}; it was recorded as {recorded}, and its folder stays", line.session),
    });
    Ok(Ending::Passed)
}

pub(super) fn keep(arguments: &KeepArguments, screen: &Screen) -> Ended {
    let line = found(&arguments.archive, &arguments.session)?;
    change(&line, |notes| notes.keep = !arguments.off)?;
    let told = if arguments.off { "limits may remove it" } else { "no limit removes it" };
    screen.line(&format!("{}: {told}", line.session));
    Ok(Ending::Passed)
}

/// A closed session of the archive.
fn found(archive: &ArchiveArgument, called: &str) -> Result<CatalogueLine, Vec<Problem>> {
    let line = archive.open().and_then(|archive| archive.find(called)).map_err(only)?;
    closed(&line).map_err(only)?;
    Ok(line)
}

fn change(line: &CatalogueLine, how: impl FnOnce(&mut Notes)) -> Result<Notes, Vec<Problem>> {
    edit_notes(&line.path, |notes| {
        how(notes);
        Ok(())
    })
    .map_err(only)
}
