//! Listing, filtering and finding, in archives in which not everything is in order.

use std::fs;
use std::path::Path;

use model::{Ending, Job};

use super::*;
use crate::SessionHead;
use crate::layout::{CARD, NOTES};
use crate::notes::{Note, edit_notes};
use crate::testing::{STARTED, head, sample};

const HOUR: i64 = 3_600_000_000_000;

fn archive() -> (tempfile::TempDir, Archive) {
    let folder = tempfile::tempdir().unwrap();
    let (archive, _) = Archive::open(folder.path()).unwrap();
    (folder, archive)
}

fn record(archive: &Archive, session: &str, hour: i64, change: impl FnOnce(&mut SessionHead)) -> PathBuf {
    let mut head = head(session);
    head.utc_nanos = STARTED + hour * HOUR;
    change(&mut head);
    let mut writer = archive.begin(head).unwrap();
    writer.sample(&sample("rpm", 5, 34));
    writer.sample(&sample("rpm", 2_000_000_005, 34));
    writer.close(Ending::Passed).unwrap().path
}

fn names(lines: &[CatalogueLine]) -> Vec<&str> {
    lines.iter().map(|line| line.session.as_str()).collect()
}

#[test]
fn everything_is_listed_newest_first_with_what_it_is() {
    let (folder, archive) = archive();
    record(&archive, "old", 0, |_| {});
    let new = record(&archive, "new", 5, |head| head.car = "other".into());
    let running = archive.begin(head("running")).unwrap();
    drop(archive.begin(head("crashed")).unwrap());
    fs::create_dir_all(folder.path().join(".broken/lost")).unwrap();
    let lines = archive.catalogue().unwrap();
    let states: Vec<(&str, SessionState)> = lines.iter().map(|l| (l.session.as_str(), l.state)).collect();
    assert_eq!(
        states,
        [
            ("new", SessionState::Closed),
            ("running", SessionState::Running),
            ("crashed", SessionState::Crashed),
            ("old", SessionState::Closed),
            ("lost", SessionState::Broken),
        ]
    );
    let first = &lines[0];
    let brief = first.brief.as_ref().unwrap();
    assert_eq!((brief.samples, brief.gaps, brief.events), (Some(2), Some(0), Some(0)));
    assert_eq!(first.lasted(), Some(Span::from_secs(2)));
    let bytes: u64 = fs::read_dir(&new).unwrap().map(|e| e.unwrap().metadata().unwrap().len()).sum();
    assert_eq!(brief.bytes, bytes);
    assert_eq!(lines[1].brief.as_ref().unwrap().car, "bench-car");
    drop(running);
}

#[test]
fn what_is_broken_is_a_line_with_its_problem_and_hides_nothing() {
    let (folder, archive) = archive();
    let good = record(&archive, "good", 3, |_| {});
    let day = good.parent().unwrap();
    for (name, text) in [("cut", "{\"schema\":1"), ("newer", "{\"schema\":99}"), ("none", "")] {
        fs::create_dir(day.join(name)).unwrap();
        if !text.is_empty() {
            fs::write(day.join(name).join(CARD), text).unwrap();
        }
    }
    // A session in the place of another, and folders whose names lead elsewhere.
    for to in ["date=2026-11-25/moved", "../car=../date=2026-11-25/good", "../car=a b/date=2026-11-25/good"] {
        let to = day.parent().unwrap().join(to);
        if fs::create_dir_all(&to).is_ok() {
            fs::copy(good.join(CARD), to.join(CARD)).ok();
        }
    }
    let noted = record(&archive, "noted", 2, |_| {});
    fs::write(noted.join(NOTES), r#"{"schema":1,"colour":"red"}"#).unwrap();
    let lines = archive.catalogue().unwrap();
    let told: Vec<String> = lines
        .iter()
        .filter_map(|line| Some(format!("{}: {}", line.session, line.problem.as_ref()?.seen)))
        .collect();
    assert!(lines.iter().any(|l| l.session == "good" && l.problem.is_none()), "{told:?}");
    for part in
        ["cut: it is not", "none: reading the session's", "moved: the session in it is 'good'", "noted: "]
    {
        assert!(told.iter().any(|line| line.starts_with(part)), "{part}: {told:?}");
    }
    assert!(told.iter().any(|line| line.starts_with("newer: ")), "{told:?}");
    let noted = lines.iter().find(|l| l.session == "noted").unwrap();
    assert_eq!((noted.state, noted.notes_unknown()), (SessionState::Closed, true));
    let tagged = Filter { tags: vec![("who".into(), None)], ..Filter::default() };
    assert_eq!(tagged.matches(noted), Matches::Unknown);
    let other = Filter { car: Some("other".into()), ..tagged };
    assert_eq!(other.matches(noted), Matches::No);
    for line in lines.iter().filter(|line| line.brief.is_none() && line.path.starts_with(day)) {
        assert_eq!(other.matches(line), Matches::No, "{line:?}");
        assert_eq!(Filter::default().matches(line), Matches::Unknown);
    }
    assert!(archive.find(folder.path().join("car=bench-car").to_str().unwrap()).is_err());
}

#[test]
fn filters_see_tags_dates_and_words_as_they_stand_now() {
    let (_folder, archive) = archive();
    let first = record(&archive, "first", 0, |head| {
        head.tags.insert("fuel".into(), "e10".into());
        head.job = Job { work: Some("Throttle body cleaned".into()), ..Job::default() };
    });
    record(&archive, "second", 30, |head| head.procedure = None);
    drop(archive.begin(head("third")).unwrap());
    let wanted = |filter: Filter| {
        let lines = archive.catalogue().unwrap();
        let wanted = lines.into_iter().filter(|line| filter.matches(line) == Matches::Yes);
        wanted.map(|line| line.session).collect::<Vec<_>>()
    };
    let any = Filter::default;
    let tag = |key: &str, value: Option<&str>| vec![(key.to_string(), value.map(String::from))];
    assert_eq!(wanted(any()), ["second", "third", "first"]);
    assert_eq!(wanted(Filter { tags: tag("fuel", None), ..any() }), ["first"]);
    assert_eq!(wanted(Filter { tags: tag("fuel", Some("e5")), ..any() }), Vec::<String>::new());
    assert_eq!(wanted(Filter { car: Some("bench".into()), ..any() }), Vec::<String>::new());
    assert_eq!(wanted(Filter { procedure: Some("idle-set-up".into()), ..any() }), ["third", "first"]);
    assert_eq!(wanted(Filter { ending: Some(EndingFilter::Crash), ..any() }), ["third"]);
    assert_eq!(
        wanted(Filter { ending: Some(EndingFilter::Ended(Ending::Passed)), ..any() }),
        ["second", "first"]
    );
    assert_eq!(wanted(Filter { ending: Some(EndingFilter::Running), ..any() }), Vec::<String>::new());
    let day = STARTED + 24 * HOUR;
    assert_eq!(wanted(Filter { since: Some(day), ..any() }), ["second"]);
    assert_eq!(wanted(Filter { before: Some(day), ..any() }), ["third", "first"]);
    let words = |words: &[&str]| words.iter().map(ToString::to_string).collect();
    assert_eq!(wanted(Filter { words: words(&["THROTTLE", "cleaned"]), ..any() }), ["first"]);
    assert_eq!(wanted(Filter { words: words(&["throttle", "rain"]), ..any() }), Vec::<String>::new());

    edit_notes(&first, |notes| {
        notes.tags.insert("fuel".into(), Some("e5".into()));
        notes.notes.push(Note { utc_nanos: 0, text: "In the RAIN".into() });
        notes.date_correction_ns = 48 * HOUR;
        Ok(())
    })
    .unwrap();
    assert_eq!(wanted(any()), ["first", "second", "third"], "a corrected date orders");
    assert_eq!(wanted(Filter { tags: tag("fuel", Some("e5")), ..any() }), ["first"]);
    assert_eq!(wanted(Filter { words: words(&["throttle", "rain"]), ..any() }), ["first"]);
    assert_eq!(wanted(Filter { since: Some(day), ..any() }), ["first", "second"]);
    assert!(first.ends_with("date=2026-11-25/first"), "the folder is not moved");
}

#[test]
fn a_session_is_found_by_id_beginning_last_or_path() {
    let (folder, archive) = archive();
    for (name, hour) in [("base-1", 0), ("base-2", 1), ("base", 2), ("demo", 9)] {
        record(&archive, name, hour, |_| {});
    }
    let found = |called: &str| archive.find(called).map(|line| line.session);
    assert_eq!(found("last").unwrap(), "demo");
    drop(archive.begin(head("zz-open")).unwrap());
    assert_eq!(found("last").unwrap(), archive.catalogue().unwrap()[0].session, "the top of the list");
    assert_eq!(found("d").unwrap(), "demo");
    assert_eq!(found("base").unwrap(), "base", "a whole name is no beginning");
    assert_eq!(found("zz").unwrap(), "zz-open");
    let path = archive.find("base-1").unwrap().path;
    assert_eq!(found(path.to_str().unwrap()).unwrap(), "base-1");
    let round = path.join("../base-2/../base-1");
    assert_eq!(found(round.to_str().unwrap()).unwrap(), "base-1");
    let problem = found("base-").unwrap_err();
    assert!(problem.seen.contains("base-2, base-1"), "{problem}");
    let problem = found("dmeo").unwrap_err();
    assert!(problem.cure.contains("did you mean 'demo'?"), "{problem}");
    for bad in ["", "..", ".", "/", "../..", "*", "a\u{1b}[2J", folder.path().to_str().unwrap()] {
        let problem = found(bad).unwrap_err();
        assert!(!problem.to_string().contains('\u{1b}'), "{problem}");
    }
    assert!(Archive::existing(Path::new("nowhere-at-all")).is_err());
}

#[test]
fn of_sessions_that_began_at_one_moment_the_last_one_written_comes_first() {
    let (_folder, archive) = archive();
    let paths: Vec<PathBuf> = ["a", "b", "c"].map(|name| record(&archive, name, 0, |_| {})).into();
    for (path, second) in paths.iter().zip([30, 10, 20]) {
        let file = fs::File::options().append(true).open(path.join(CARD)).unwrap();
        file.set_modified(std::time::UNIX_EPOCH + std::time::Duration::from_secs(second)).unwrap();
    }
    assert_eq!(names(&archive.catalogue().unwrap()), ["a", "c", "b"]);
}
