//! `holdgate sessions list`.

use std::collections::BTreeMap;

use clap::Args;
use model::{Ending, Problem};
use record::{CatalogueLine, EndingFilter, Filter, Matches, SessionState, utc_of, utc_text};
use serde::Serialize;

use super::select::ArchiveArgument;
use super::words::{bytes, counted, minute, plain, state};
use super::{Ended, only};
use crate::command::session::argument;
use crate::command::{complain, refuse};
use crate::sides::screen::Screen;

#[derive(Debug, Args)]
pub(super) struct Arguments {
    /// Only sessions with this tag; may be given again
    #[arg(long = "tag", value_name = "KEY[=VALUE]")]
    tags: Vec<String>,
    /// Only sessions of this car
    #[arg(long, value_name = "NAME")]
    car: Option<String>,
    /// Only sessions that began on this day or later, in UTC: 2026-11-25, or 2026-11-25T08:00
    #[arg(long, value_name = "DATE")]
    since: Option<String>,
    /// Only sessions that began on this day or earlier
    #[arg(long, value_name = "DATE")]
    until: Option<String>,
    /// Only sessions that ran this procedure
    #[arg(long, value_name = "NAME")]
    procedure: Option<String>,
    /// Only sessions that ended so: passed, car-not-right, bad-input, stopped, link-lost, undecided, crash, running
    #[arg(long, value_name = "HOW")]
    ending: Option<String>,
    /// Only sessions with all of these words in their notes, job or tags; may be given again
    #[arg(long, value_name = "WORDS")]
    text: Vec<String>,
    /// No more than this many
    #[arg(long, value_name = "N")]
    limit: Option<usize>,
    /// Write one JSON object a line
    #[arg(long)]
    json: bool,
    #[command(flatten)]
    archive: ArchiveArgument,
}

const ENDINGS: [(&str, EndingFilter); 8] = [
    ("passed", EndingFilter::Ended(Ending::Passed)),
    ("car-not-right", EndingFilter::Ended(Ending::CarNotRight)),
    ("bad-input", EndingFilter::Ended(Ending::BadInput)),
    ("stopped", EndingFilter::Ended(Ending::Stopped)),
    ("link-lost", EndingFilter::Ended(Ending::LinkLost)),
    ("undecided", EndingFilter::Ended(Ending::Undecided)),
    ("crash", EndingFilter::Crash),
    ("running", EndingFilter::Running),
];

pub(super) fn run(arguments: &Arguments, screen: &Screen) -> Ended {
    let filter = filter(arguments)?;
    let lines = arguments.archive.open().map_err(only)?.catalogue().map_err(only)?;
    let all = lines.len();
    let mut unsure = false;
    let mut wanted: Vec<CatalogueLine> = lines
        .into_iter()
        .filter(|line| {
            let matches = filter.matches(line);
            unsure |= matches == Matches::Unknown;
            matches != Matches::No
        })
        .collect();
    wanted.truncate(arguments.limit.unwrap_or(usize::MAX));
    if arguments.json {
        wanted.iter().for_each(|line| screen.line(&json(line)));
    } else {
        screen.line(&table(&wanted, all));
    }
    let problems: Vec<Problem> = wanted.iter().filter_map(|line| line.problem.clone()).collect();
    let graver = refuse(&problems);
    // A list without conditions is whole whatever cannot be read; one with them may hold what it should not.
    let conditions = arguments.car.is_some() || arguments.ending.is_some() || arguments.procedure.is_some();
    let conditions = conditions || needs_notes(&filter);
    if unsure && conditions {
        complain("what cannot be read may not be what was asked for, and is listed all the same");
        return Ok(graver);
    }
    Ok(Ending::Passed)
}

fn needs_notes(filter: &Filter) -> bool {
    !filter.tags.is_empty() || !filter.words.is_empty() || filter.since.is_some() || filter.before.is_some()
}

fn filter(arguments: &Arguments) -> Result<Filter, Vec<Problem>> {
    let mut problems = Vec::new();
    let mut date = |name: &str, text: &Option<String>| {
        let text = text.as_ref()?;
        let read = utc_of(text);
        if read.is_none() {
            let seen = format!("'{}' is not a date", plain(text));
            problems.push(argument(name, seen, "write for example 2026-11-25 or 2026-11-25T08:00"));
        }
        read
    };
    let since = date("--since", &arguments.since).map(|(at, _)| at);
    let before = date("--until", &arguments.until).map(|(at, width)| at.saturating_add(width));
    let tags = arguments.tags.iter().map(|text| match text.split_once('=') {
        Some((key, value)) => (key.trim().to_string(), Some(value.to_string())),
        None => (text.trim().to_string(), None),
    });
    let ending = arguments.ending.as_ref().and_then(|name| {
        let known = ENDINGS.iter().find(|(known, _)| known == name).map(|(_, ending)| *ending);
        if known.is_none() {
            let names = ENDINGS.map(|(name, _)| name).join(", ");
            let seen = format!("there is no ending '{}'", plain(name));
            problems.push(argument("--ending", seen, &format!("choose one of {names}")));
        }
        known
    });
    let filter = Filter {
        tags: tags.collect(),
        car: arguments.car.clone(),
        procedure: arguments.procedure.clone(),
        ending,
        since,
        before,
        words: arguments.text.iter().flat_map(|text| text.split_whitespace()).map(String::from).collect(),
    };
    if problems.is_empty() { Ok(filter) } else { Err(problems) }
}

/// A session as programs read it.
#[derive(Serialize)]
struct JsonLine {
    session: String,
    path: String,
    state: SessionState,
    car: Option<String>,
    procedure: Option<String>,
    began: Option<String>,
    recorded_as: Option<String>,
    lasted_s: Option<f64>,
    ending: Option<Ending>,
    samples: Option<u64>,
    gaps: Option<u64>,
    events: Option<u64>,
    bytes: u64,
    tags: BTreeMap<String, String>,
    notes: usize,
    keep: bool,
    recovered: bool,
    problem: Option<Problem>,
}

fn json(line: &CatalogueLine) -> String {
    let brief = line.brief.as_ref();
    let row = JsonLine {
        session: line.session.clone(),
        path: line.path.display().to_string(),
        state: line.state,
        car: brief.map(|b| b.car.clone()),
        procedure: brief.and_then(|b| b.procedure.clone()),
        began: line.began().map(utc_text),
        recorded_as: brief.filter(|_| line.notes.date_correction_ns != 0).map(|b| utc_text(b.utc_nanos)),
        lasted_s: line.lasted().map(|span| span.0 as f64 / 1e9),
        ending: brief.and_then(|b| b.ending),
        samples: brief.and_then(|b| b.samples),
        gaps: brief.and_then(|b| b.gaps),
        events: brief.and_then(|b| b.events),
        bytes: brief.map_or(0, |b| b.bytes),
        tags: line.tags(),
        notes: line.notes.notes.len(),
        keep: line.notes.keep,
        recovered: brief.is_some_and(|b| b.recovered),
        problem: line.problem.clone(),
    };
    serde_json::to_string(&row).expect("a flat struct of texts and numbers can be written")
}

const HEAD: [&str; 6] = ["began (UTC)", "lasted", "how it ended", "car", "procedure", "session"];

fn cells(line: &CatalogueLine) -> [String; 6] {
    let brief = line.brief.as_ref();
    let none = || "-".to_string();
    [
        line.began().map_or_else(none, minute),
        line.lasted().map_or_else(none, |span| span.to_string()),
        state(line).to_string(),
        brief.map_or_else(none, |brief| brief.car.clone()),
        brief.and_then(|brief| brief.procedure.clone()).map_or_else(none, |name| plain(&name)),
        // Never cut: it is there to be copied.
        plain(&line.session),
    ]
}

/// What stands below a session: its marks, its tags, its notes.
fn below(line: &CatalogueLine) -> Option<String> {
    let mut parts = Vec::new();
    let brief = line.brief.as_ref();
    if line.notes.keep {
        parts.push("kept".to_string());
    }
    if line.notes.date_correction_ns != 0 {
        parts.push("date corrected".into());
    }
    if brief.is_some_and(|brief| brief.recovered) {
        parts.push("recovered after a crash".into());
    }
    if line.notes_unknown() {
        parts.push("its notes cannot be read".into());
    }
    parts.extend(line.tags().iter().map(|(key, value)| plain(&format!("{key}={value}"))));
    if !line.notes.notes.is_empty() {
        parts.push(counted(line.notes.notes.len() as u64, "note", "notes"));
    }
    (!parts.is_empty()).then(|| format!("  {}", parts.join(", ")))
}

fn table(lines: &[CatalogueLine], all: usize) -> String {
    if all == 0 {
        return "no session is recorded here".into();
    }
    let size: u64 = lines.iter().filter_map(|line| Some(line.brief.as_ref()?.bytes)).sum();
    let end = match lines.len() {
        shown if shown == all => counted(all as u64, "session", "sessions"),
        shown => format!("{shown} of {}", counted(all as u64, "session", "sessions")),
    };
    let end = format!("{end}, {}", bytes(size));
    if lines.is_empty() {
        return end;
    }
    let rows: Vec<[String; 6]> =
        std::iter::once(HEAD.map(String::from)).chain(lines.iter().map(cells)).collect();
    let width = |column: usize| rows.iter().map(|row| row[column].chars().count()).max().unwrap_or(0);
    let widths: Vec<usize> = (0..5).map(width).collect();
    let laid = |row: &[String; 6]| {
        let padded = row.iter().zip(&widths).map(|(cell, width)| format!("{cell:width$}  "));
        padded.chain([row[5].clone()]).collect::<String>()
    };
    let mut told = vec![laid(&rows[0])];
    for (line, row) in lines.iter().zip(&rows[1..]) {
        told.push(laid(row));
        told.extend(below(line));
    }
    told.push(end);
    told.join("\n")
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::command::sessions::show::fixture::{archive, normal};

    #[test]
    fn the_table_says_what_is_known_of_every_session() {
        let (folder, archive) = archive();
        let lines = archive.catalogue().unwrap();
        insta::assert_snapshot!(normal(&table(&lines, lines.len()), &folder));
        insta::assert_snapshot!(normal(&table(&lines[..1], lines.len()), &folder));
    }

    #[test]
    fn the_same_as_json() {
        let (folder, archive) = archive();
        let lines: Vec<String> = archive.catalogue().unwrap().iter().map(json).collect();
        insta::assert_snapshot!(normal(&lines.join("\n"), &folder));
    }

    #[test]
    fn every_mistake_in_the_conditions_is_told_at_once() {
        let arguments = Arguments {
            tags: vec!["fuel".into()],
            car: None,
            since: Some("yesterday".into()),
            until: Some("2026-02-30".into()),
            procedure: None,
            ending: Some("well".into()),
            text: Vec::new(),
            limit: None,
            json: false,
            archive: ArchiveArgument { archive: "nowhere".into() },
        };
        let told: Vec<String> = filter(&arguments).unwrap_err().iter().map(ToString::to_string).collect();
        insta::assert_snapshot!(told.join("\n"));
        assert!(table(&[], 0).contains("no session"));
    }
}
