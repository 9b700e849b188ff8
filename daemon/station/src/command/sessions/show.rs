//! `holdgate sessions show`.

use clap::Args;
use model::{Ending, Job};
use record::{Notes, SessionCard, SessionState, read_card, read_notes, utc_text};

use super::select::{ArchiveArgument, closed, copy};
use super::words::{bytes, counted, minute, plain, state};
use super::{Ended, only};
use crate::command::refuse;
use crate::sides::screen::Screen;

#[derive(Debug, Args)]
pub(super) struct Arguments {
    /// The session: its id, a beginning of it, `last`, or its folder
    session: String,
    /// Write it as JSON
    #[arg(long)]
    json: bool,
    #[command(flatten)]
    archive: ArchiveArgument,
}

pub(super) fn run(arguments: &Arguments, screen: &Screen) -> Ended {
    let folder = match copy(&arguments.session) {
        Some(folder) => folder,
        None => {
            let line = arguments.archive.open().map_err(only)?.find(&arguments.session).map_err(only)?;
            if matches!(line.state, SessionState::Running | SessionState::Crashed) && !arguments.json {
                let began = line.began().map(|began| format!(", began {}", minute(began)));
                let car = line.brief.as_ref().map(|brief| format!(", of the car {}", brief.car));
                screen.line(&format!(
                    "{}: {}{}{}",
                    line.session,
                    state(&line),
                    car.unwrap_or_default(),
                    began.unwrap_or_default()
                ));
                return Ok(Ending::Passed);
            }
            closed(&line).map_err(only)?;
            line.path
        }
    };
    let card = read_card(&folder).map_err(only)?;
    let notes = read_notes(&folder);
    let known = notes.as_ref().cloned().unwrap_or_default();
    if arguments.json {
        let whole = serde_json::json!({
            "path": folder.display().to_string(),
            "session": card,
            "notes": known,
            "tags": known.tags_over(&card.head.tags),
            "began": utc_text(known.corrected(card.head.utc_nanos)),
        });
        screen.line(&serde_json::to_string_pretty(&whole).expect("texts and finite numbers are JSON"));
    } else {
        screen.line(&words(&folder.display().to_string(), &card, &known));
    }
    Ok(notes.map_or_else(|problem| refuse(&[problem]), |_| Ending::Passed))
}

fn words(folder: &str, card: &SessionCard, notes: &Notes) -> String {
    let head = &card.head;
    let mut lines = Vec::new();
    let mut line = |name: &str, text: String| lines.push(format!("{name:<10} {text}"));
    line("session", head.session.to_string());
    line("folder", folder.to_string());
    line(
        "car",
        format!("{}, recorded by station {} with holdgate {}", head.car, head.station, plain(&head.program)),
    );
    line("procedure", head.procedure.as_deref().map_or("none".into(), plain));
    let recorded = utc_text(head.utc_nanos);
    line(
        "began",
        match notes.date_correction_ns {
            0 => recorded,
            _ => format!("{} (corrected; recorded as {recorded})", utc_text(notes.corrected(head.utc_nanos))),
        },
    );
    if let (Some(first), Some(last)) = (card.first, card.last) {
        line("lasted", last.since(first).to_string());
    }
    let ending = card.ending.map_or("ended by a crash".to_string(), |ending| ending.to_string());
    let recovered = if card.recovered { ", recovered by a later start" } else { "" };
    line("ended", format!("{ending}{recovered}"));
    if let Some(cut) = &card.cut {
        line("cut", plain(&cut.to_string()));
    }
    let size = card.files.iter().map(|file| file.bytes).sum();
    line(
        "holds",
        format!(
            "{}, {}, {}, {}",
            counted(card.samples, "reading", "readings"),
            counted(card.gaps, "gap", "gaps"),
            counted(card.events, "event", "events"),
            bytes(size)
        ),
    );
    if notes.keep {
        line("kept", "no limit removes it".into());
    }
    for (name, text) in job(&head.job) {
        line(name, plain(&text));
    }
    for (key, value) in notes.tags_over(&head.tags) {
        let was = match head.tags.get(&key) {
            Some(was) if *was != value => format!(" (recorded as {was})"),
            Some(_) => String::new(),
            None => " (added)".into(),
        };
        line("tag", plain(&format!("{key}={value}{was}")));
    }
    for key in notes.tags.iter().filter(|(_, value)| value.is_none()).map(|(key, _)| key) {
        line("tag", plain(&format!("{key} (removed)")));
    }
    for note in &notes.notes {
        let mut parts = note.text.lines().map(plain);
        line("note", format!("{}  {}", minute(note.utc_nanos), parts.next().unwrap_or_default()));
        parts.for_each(|more| line("", format!("{:19}{more}", "")));
    }
    for channel in &head.channels {
        let unit = channel.unit.print();
        let count = match (channel.resolution, unit) {
            (0.0, "") => String::new(),
            (_, "") => format!(", one count {:.4}", channel.resolution),
            (0.0, unit) => format!(" [{unit}]"),
            (resolution, unit) => format!(" [{unit}], one count {resolution:.4} {unit}"),
        };
        line("channel", format!("{}, {}{count}", channel.id, plain(&channel.title)));
    }
    lines.join("\n")
}

fn job(job: &Job) -> Vec<(&'static str, String)> {
    let quantity = |q: &Option<model::Quantity>| q.as_ref().map(ToString::to_string);
    let all = [
        ("work", job.work.clone()),
        ("odometer", quantity(&job.odometer)),
        ("ambient", quantity(&job.ambient)),
        ("fuel", job.fuel.clone()),
        ("remark", job.note.clone()),
    ];
    all.into_iter().filter_map(|(name, text)| Some((name, text?))).collect()
}

#[cfg(test)]
pub(super) mod fixture {
    //! A small archive of an invented car in which not everything is in order.

    use std::collections::BTreeMap;
    use std::path::Path;

    use model::{
        ChannelId, Ending, Event, EventEnvelope, Job, Moment, Quantity, SessionId, Span, StationId, Unit,
    };
    use record::{Archive, ChannelHead, Note, SessionHead, edit_notes};
    use tempfile::TempDir;

    /// 2026-11-25T08:00:00Z.
    pub(crate) const STARTED: i64 = 1_795_593_600_000_000_000;
    const HOUR: i64 = 3_600_000_000_000;

    fn head(session: &str, hour: i64) -> SessionHead {
        let id = |text: &str| ChannelId::new(text).unwrap();
        let channel = |name: &str, unit: &str, factor: f64| ChannelHead {
            id: id(name),
            title: format!("the {name}"),
            unit: Unit::new(unit).unwrap(),
            factor,
            offset: 0.0,
            resolution: factor,
            noise: 0.0,
            shared: 0.0,
            rounding: "nearest".into(),
        };
        SessionHead {
            session: SessionId::new(session).unwrap(),
            station: StationId::new("garage").unwrap(),
            car: "bench-car".into(),
            procedure: Some("base-idle".into()),
            program: "0.1.0".into(),
            utc_nanos: STARTED + hour * HOUR,
            job: Job::default(),
            tags: BTreeMap::from([("fuel".into(), "e10".into()), ("who".into(), "me".into())]),
            description_sha256: "d".into(),
            script_sha256: None,
            channels: vec![channel("rpm", "{rev}/min", 12.5), channel("coolant", "Cel", 0.75)],
        }
    }

    fn record(archive: &Archive, head: SessionHead, ending: Ending) -> std::path::PathBuf {
        let (station, session) = (head.station.clone(), head.session.clone());
        let mut writer = archive.begin(head).unwrap();
        for (seq, second) in [(1, 0), (2, 125)] {
            writer.event(&EventEnvelope {
                schema: model::SCHEMA_VERSION,
                seq,
                station: station.clone(),
                session: session.clone(),
                at: Moment::ZERO + Span::from_secs(second),
                event: Event::Remark { text: "x".into() },
            });
        }
        writer.close(ending).unwrap().path
    }

    /// A session of each kind.
    pub(crate) fn archive() -> (TempDir, Archive) {
        let folder = tempfile::tempdir().unwrap();
        let (archive, _) = Archive::open(folder.path()).unwrap();
        let mut evening = head("evening", 10);
        evening.job = Job {
            work: Some("throttle body cleaned".into()),
            odometer: Some(Quantity::new(120_000.0, Unit::new("km").unwrap())),
            ambient: Some(Quantity::new(12.5, Unit::new("Cel").unwrap())),
            fuel: None,
            note: Some("bell \u{7} and \u{1b}[2J".into()),
        };
        let evening = record(&archive, evening, Ending::CarNotRight);
        edit_notes(&evening, |notes| {
            notes.tags.insert("fuel".into(), Some("e5".into()));
            notes.tags.insert("who".into(), None);
            notes.tags.insert("weather".into(), Some("rain".into()));
            notes.notes.push(Note { utc_nanos: STARTED, text: "cable tight\nloosened it".into() });
            notes.date_correction_ns = HOUR;
            notes.keep = true;
            Ok(())
        })
        .unwrap();
        let morning = record(&archive, head("morning", 0), Ending::Passed);
        std::fs::write(morning.join("notes.json"), "{\"schema\":1,\"colour\":\"red\"}").unwrap();
        drop(archive.begin(head("cut-short", 5)).unwrap());
        std::fs::create_dir(morning.parent().unwrap().join("half")).unwrap();
        (folder, archive)
    }

    /// The text without what differs from machine to machine and from release to release.
    pub(crate) fn normal(text: &str, folder: &TempDir) -> String {
        let text = text.replace(&folder.path().display().to_string(), "ARCHIVE");
        sizes(&text)
    }

    /// Sizes of files depend on the encodings of the day.
    fn sizes(text: &str) -> String {
        let json = |line: &str| match line.split_once("\"bytes\":") {
            Some((before, after)) => {
                let rest = after.trim_start_matches(|c: char| c.is_ascii_digit());
                format!("{before}\"bytes\":0{rest}")
            }
            None => line.to_string(),
        };
        let plain = |line: String| match line.rsplit_once(", ") {
            Some((before, size)) if size.ends_with(" kB") || size.ends_with(" B") => {
                format!("{before}, SIZE")
            }
            _ => line,
        };
        text.lines().map(|line| plain(json(line))).collect::<Vec<_>>().join("\n")
    }

    #[test]
    fn the_folder_is_made() {
        let (folder, _) = archive();
        assert!(Path::new(folder.path()).join(".open/cut-short/journal").is_file());
    }
}

#[cfg(test)]
mod tests {
    use super::fixture::{archive, normal};
    use super::*;

    #[test]
    fn everything_known_of_a_session_is_shown() {
        let (folder, archive) = archive();
        let line = archive.find("evening").unwrap();
        let card = read_card(&line.path).unwrap();
        let text = words(&line.path.display().to_string(), &card, &line.notes);
        insta::assert_snapshot!(normal(&text, &folder));
    }
}
