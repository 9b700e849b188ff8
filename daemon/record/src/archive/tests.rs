//! Archives on a real disk.

use std::fs;

use model::{Ending, Event, Moment};

use super::*;
use crate::layout::{EVENTS, SAMPLES};
use crate::read::read_session;
use crate::testing::{event, head, sample, wrap};

fn folder() -> tempfile::TempDir {
    tempfile::tempdir().unwrap()
}

#[test]
fn a_closed_session_lies_in_its_place_and_nothing_else_is_left() {
    let folder = folder();
    let (archive, recovered) = Archive::open(folder.path()).unwrap();
    assert!(recovered.is_empty());
    let mut writer = archive.begin(head("s1")).unwrap();
    assert_eq!(writer.path(), folder.path().join(".open/s1"));
    writer.sample(&sample("rpm", 50_000, 34));
    writer.event(&event("s1", 1, 60_001, "x"));
    let closed = writer.close(Ending::Passed).unwrap();
    assert_eq!(closed.path, folder.path().join("car=bench-car/date=2026-11-25/s1"));
    let names: Vec<String> = RealDisk.list(&closed.path).unwrap().into_iter().map(|e| e.name).collect();
    assert_eq!(names, ["events.parquet", "samples.parquet", "session.json", "spare"]);
    let bytes: u64 = names.iter().map(|n| fs::metadata(closed.path.join(n)).unwrap().len()).sum();
    assert_eq!(closed.bytes, bytes);
    assert!(RealDisk.list(&folder.path().join(".open")).unwrap().is_empty());
    assert_eq!(archive.sessions().unwrap(), std::slice::from_ref(&closed.path));
    let card = read_session(&closed.path).unwrap().card;
    assert_eq!((card.ending, card.recovered, card.cut), (Some(Ending::Passed), false, None));
    assert_eq!((card.first, card.last), (Some(Moment(50_000)), Some(Moment(60_001))));
}

#[test]
fn the_same_session_gives_the_same_bytes() {
    let files = [folder(), folder()].map(|folder| {
        let (archive, _) = Archive::open(folder.path()).unwrap();
        let mut writer = archive.begin(head("s1")).unwrap();
        for i in 0..2_000 {
            writer.sample(&sample(if i % 3 == 0 { "volts" } else { "rpm" }, i * 1_000_003, i % 40));
            if i % 100 == 0 {
                writer.event(&event("s1", i as u64 / 100 + 1, i * 1_000_003, "x"));
            }
            writer.tick(Moment(i * 1_000_003));
        }
        let path = writer.close(Ending::Passed).unwrap().path;
        [SAMPLES, EVENTS, CARD].map(|name| fs::read(path.join(name)).unwrap())
    });
    assert!(files[0] == files[1]);
}

#[test]
fn a_session_is_never_written_over_another() {
    let folder = folder();
    let (archive, _) = Archive::open(folder.path()).unwrap();
    let writer = archive.begin(head("s1")).unwrap();
    let refused = archive.begin(head("s1")).err().unwrap();
    assert!(refused.seen.contains("'s1' already"), "{refused}");
    writer.close(Ending::Passed).unwrap();
    assert!(archive.begin(head("s1")).is_err());
    archive.begin(head("s2")).unwrap();
}

#[test]
fn a_car_or_a_head_that_would_do_harm_is_refused_before_anything_is_written() {
    let folder = folder();
    let (archive, _) = Archive::open(folder.path()).unwrap();
    for car in ["../../etc", "a/b", "", "A", "x\0"] {
        let refused = archive.begin(SessionHead { car: car.into(), ..head("s1") }).err().unwrap();
        assert_eq!(refused.kind, model::ProblemKind::Argument);
    }
    let mut not_a_number = head("s1");
    not_a_number.channels[0].factor = f64::NAN;
    let refused = archive.begin(not_a_number).err().unwrap();
    assert!(refused.cure.contains("finite"), "{refused}");
    assert!(!folder.path().join(".open/s1").exists());
    archive.begin(head("s1")).unwrap();
}

#[test]
fn a_running_session_of_another_program_is_left_alone() {
    let folder = folder();
    let (archive, _) = Archive::open(folder.path()).unwrap();
    let mut writer = archive.begin(head("s1")).unwrap();
    let (_, recovered) = Archive::open(folder.path()).unwrap();
    assert!(recovered.is_empty());
    writer.sample(&sample("rpm", 1, 1));
    assert_eq!(writer.close(Ending::Passed).unwrap().samples, 1);
}

#[test]
fn a_session_that_a_crash_left_is_closed_and_says_so() {
    let folder = folder();
    let (archive, _) = Archive::open(folder.path()).unwrap();
    let mut writer = archive.begin(head("s1")).unwrap();
    writer.sample(&sample("rpm", 1, 1));
    writer.event(&wrap("s1", 1, 2, Event::SessionEnded { ending: Ending::Stopped }));
    writer.sync().unwrap();
    let journal = writer.path().join(JOURNAL);
    drop(writer);
    let mut bytes = fs::read(&journal).unwrap();
    bytes.extend_from_slice(b"torn");
    fs::write(&journal, bytes).unwrap();
    let (_, recovered) = Archive::open(folder.path()).unwrap();
    let [one] = recovered.as_slice() else { panic!("{recovered:?}") };
    let card = read_session(&one.path).unwrap().card;
    assert!(card.recovered);
    assert_eq!((card.samples, card.ending), (1, Some(Ending::Stopped)));
    assert_eq!(card.cut.unwrap().bytes, 4);
    let told = one.to_string();
    assert!(told.contains("1 reading and 1 event; 4 bytes at its end could not be read"), "{told}");
    assert!(Archive::open(folder.path()).unwrap().1.is_empty(), "once is enough");
}

#[test]
fn a_journal_without_a_whole_head_is_moved_aside_and_kept() {
    let folder = folder();
    for (round, name) in ["s1", "s1-2"].into_iter().enumerate() {
        let (archive, _) = Archive::open(folder.path()).unwrap();
        drop(archive.begin(head("s1")).unwrap());
        let journal = folder.path().join(".open/s1/journal");
        let mut bytes = fs::read(&journal).unwrap();
        bytes.iter_mut().skip(20).step_by(100).for_each(|byte| *byte ^= 1);
        fs::write(&journal, &bytes).unwrap();
        let (_, recovered) = Archive::open(folder.path()).unwrap();
        let [Recovered { path, outcome: RecoveryOutcome::MovedAside(problem), .. }] = recovered.as_slice()
        else {
            panic!("round {round}: {recovered:?}")
        };
        assert!(problem.seen.contains("no whole record"), "{problem}");
        assert_eq!(*path, folder.path().join(".broken").join(name));
        assert_eq!(fs::read(path.join(JOURNAL)).unwrap(), bytes);
    }
}

#[test]
fn a_session_with_one_of_its_heads_damaged_is_recovered_and_says_so() {
    let folder = folder();
    let (archive, _) = Archive::open(folder.path()).unwrap();
    let mut writer = archive.begin(head("s1")).unwrap();
    writer.sample(&sample("rpm", 0, 34));
    writer.sync().unwrap();
    let journal = writer.path().join(JOURNAL);
    drop(writer);
    let mut bytes = fs::read(&journal).unwrap();
    bytes[40] ^= 1;
    fs::write(&journal, bytes).unwrap();
    let (_, recovered) = Archive::open(folder.path()).unwrap();
    let RecoveryOutcome::Closed { closed, cut: Some(cut) } = &recovered[0].outcome else {
        panic!("{recovered:?}")
    };
    assert_eq!((closed.samples, closed.ending), (1, None));
    assert_eq!(read_session(&closed.path).unwrap().card.cut.as_ref(), Some(cut));
    let told = recovered[0].to_string();
    for words in
        ["breaks off without an ending", "in 1 place could not be read, between its beginning and 0.0 s"]
    {
        assert!(told.contains(words), "{told}");
    }
}

#[test]
fn a_journal_of_an_older_version_is_moved_aside_and_says_which() {
    let folder = folder();
    let journal = folder.path().join(".open/s1/journal");
    fs::create_dir_all(journal.parent().unwrap()).unwrap();
    let mut bytes = b"HGJ\x1a\x02\x00".to_vec();
    bytes.extend_from_slice(&crc32fast::hash(&bytes).to_le_bytes());
    fs::write(&journal, bytes).unwrap();
    let (_, recovered) = Archive::open(folder.path()).unwrap();
    let RecoveryOutcome::MovedAside(problem) = &recovered[0].outcome else { panic!("{recovered:?}") };
    assert!(problem.seen.contains("version 2") && problem.cure.contains("recorded it"), "{problem}");
    assert!(folder.path().join(".broken/s1/journal").is_file());
}

#[test]
fn a_journal_in_the_folder_of_another_session_is_moved_aside() {
    let folder = folder();
    let (archive, _) = Archive::open(folder.path()).unwrap();
    drop(archive.begin(head("s1")).unwrap());
    fs::rename(folder.path().join(".open/s1"), folder.path().join(".open/s2")).unwrap();
    let (_, recovered) = Archive::open(folder.path()).unwrap();
    assert!(matches!(recovered[0].outcome, RecoveryOutcome::MovedAside(_)), "{recovered:?}");
}

#[test]
fn an_event_that_would_not_read_back_is_recorded_as_a_problem_with_its_words() {
    let folder = folder();
    let (archive, _) = Archive::open(folder.path()).unwrap();
    let mut writer = archive.begin(head("s1")).unwrap();
    let value = model::event::NoteValue::Quantity(model::Quantity::new(f64::NAN, model::Unit::one()));
    writer.event(&wrap("s1", 1, 5, Event::Noted { key: "turns_counted".into(), value }));
    writer.event(&event("s1", 2, 6, &"x".repeat(crate::journal::LONGEST_PAYLOAD)));
    writer.event(&event("s1", 3, 7, "after"));
    let session = read_session(&writer.close(Ending::Passed).unwrap().path).unwrap();
    let seqs: Vec<u64> = session.events.iter().map(|e| e.seq).collect();
    assert_eq!(seqs, [1, 2, 3]);
    let Event::Problem { problem } = &session.events[0].event else { panic!("{:?}", session.events[0]) };
    assert!(problem.seen.contains("turns_counted"), "{problem}");
    let Event::Problem { problem } = &session.events[1].event else { panic!("{:?}", session.events[1]) };
    assert!(problem.seen.contains("too long"), "{problem}");
}
