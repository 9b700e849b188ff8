//! Every operation of the disk fails once, and fails from then on, under three kinds of crash: nothing that
//! was synced is lost, nothing is invented, nothing panics.

use std::fs;

use model::{Ending, EventEnvelope, Sample};

use super::*;
use crate::disk::sim::{Fault, Keep, SimDisk};
use crate::read::read_session;
use crate::testing::{event, head, sample};

const KEEPS: [Keep; 3] = [Keep::Nothing, Keep::Half, Keep::Everything];

fn root() -> &'static Path {
    Path::new("/")
}

fn script() -> (Vec<Sample>, Vec<EventEnvelope>) {
    let samples =
        (0..12).map(|i| sample(if i % 2 == 0 { "rpm" } else { "volts" }, i * 10_000, 30 + i)).collect();
    let events = (0..3).map(|i| event("s1", i + 1, i as i64 * 40, "x")).collect();
    (samples, events)
}

/// What a run had been promised when its disk failed.
#[derive(Debug, Default, Clone, Copy)]
struct Promised {
    begun: bool,
    samples: usize,
    events: usize,
    closed: bool,
}

fn run(disk: &SimDisk) -> Promised {
    let mut promised = Promised::default();
    let Ok((archive, _)) = Archive::open_on(Arc::new(disk.clone()), root()) else { return promised };
    let Ok(mut writer) = archive.begin(head("s1")) else { return promised };
    promised.begun = true;
    let (samples, events) = script();
    for (i, (four, event)) in samples.chunks(4).zip(&events).enumerate() {
        four.iter().for_each(|s| writer.sample(s));
        writer.event(event);
        let first = writer.sync();
        if first.is_ok() {
            (promised.samples, promised.events) = (4 * (i + 1), i + 1);
        } else {
            assert!(writer.sync().is_err(), "a failed sync is not tried again as if it had worked");
            assert!(writer.problem().is_some());
        }
    }
    promised.closed = writer.close(Ending::Passed).is_ok();
    promised
}

/// Opens the archive on a disk that works again and checks what is in it.
fn check(disk: &SimDisk, promised: Promised, case: &str) {
    let (archive, recovered) = Archive::open_on(Arc::new(disk.clone()), root()).unwrap();
    assert!(
        archive.disk.list(&archive.layout.open()).unwrap().iter().all(|e| !e.folder),
        "{case}: {recovered:?}"
    );
    let sessions = archive.sessions().unwrap();
    assert!(sessions.len() <= 1, "{case}: {sessions:?}");
    let Some(path) = sessions.first() else {
        assert!(!promised.begun, "{case}: the session is gone; {recovered:?}");
        return;
    };
    let copy = tempfile::tempdir().unwrap();
    for (name, bytes) in disk.files(path) {
        fs::write(copy.path().join(name), bytes).unwrap();
    }
    let session = read_session(copy.path()).unwrap_or_else(|problem| panic!("{case}: {problem}"));
    let read: Vec<Sample> = session.samples().unwrap().map(Result::unwrap).collect();
    let (samples, events) = script();
    assert!(read.len() >= promised.samples, "{case}: {} of {promised:?}", read.len());
    assert!(session.events.len() >= promised.events, "{case}: {} of {promised:?}", session.events.len());
    assert_eq!(read, samples[..read.len()], "{case}");
    assert_eq!(session.events, events[..session.events.len()], "{case}");
    if promised.closed {
        assert_eq!((read.len(), session.card.ending), (samples.len(), Some(Ending::Passed)), "{case}");
    }
}

#[test]
fn no_failing_operation_loses_what_was_synced() {
    let whole = SimDisk::new(Fault::Never);
    assert!(run(&whole).closed);
    let operations = whole.operations();
    assert!(operations > 40, "{operations}");
    for n in 0..=operations {
        for fault in [Fault::Once(n), Fault::From(n)] {
            let disk = SimDisk::new(fault);
            let promised = run(&disk);
            for keep in KEEPS {
                check(&disk.crash(keep, Fault::Never), promised, &format!("{fault:?} {keep:?}"));
            }
        }
    }
}

#[test]
fn a_crash_within_recovery_is_recovered_too() {
    let disk = SimDisk::new(Fault::Never);
    let promised = {
        // As `run` without the closing: a crash in the middle of a session.
        let (archive, _) = Archive::open_on(Arc::new(disk.clone()), root()).unwrap();
        let mut writer = archive.begin(head("s1")).unwrap();
        let (samples, events) = script();
        samples[..8].iter().for_each(|s| writer.sample(s));
        writer.event(&events[0]);
        writer.sync().unwrap();
        samples[8..].iter().for_each(|s| writer.sample(s));
        Promised { begun: true, samples: 8, events: 1, closed: false }
    };
    for first in KEEPS {
        let whole = disk.crash(first, Fault::Never);
        check(&whole, promised, &format!("{first:?}"));
        for n in 0..whole.operations() {
            for fault in [Fault::Once(n), Fault::From(n)] {
                let again = disk.crash(first, fault);
                // It may fail as a whole or leave the session where it is.
                Archive::open_on(Arc::new(again.clone()), root()).ok();
                for second in KEEPS {
                    check(
                        &again.crash(second, Fault::Never),
                        promised,
                        &format!("{first:?} {fault:?} {second:?}"),
                    );
                }
            }
        }
    }
}

#[test]
fn a_writer_syncs_when_its_interval_is_over_and_not_before() {
    let disk = SimDisk::new(Fault::Never);
    let (mut archive, _) = Archive::open_on(Arc::new(disk.clone()), root()).unwrap();
    archive.set_sync_interval(Span::from_millis(100));
    let mut writer = archive.begin(head("s1")).unwrap();
    let kept = |count: u64| {
        let safe = disk.crash(Keep::Nothing, Fault::Never);
        let (_, recovered) = Archive::open_on(Arc::new(safe), root()).unwrap();
        let RecoveryOutcome::Closed { closed, .. } = &recovered[0].outcome else { panic!("{recovered:?}") };
        assert_eq!(closed.samples, count);
    };
    writer.tick(model::Moment(0));
    writer.sample(&sample("rpm", 1, 1));
    writer.tick(model::Moment(99_999_999));
    kept(0);
    writer.tick(model::Moment(100_000_000));
    kept(1);
    let before = disk.operations();
    writer.tick(model::Moment(300_000_000));
    assert_eq!(disk.operations(), before, "nothing new, no sync");
    writer.sample(&sample("rpm", 2, 2));
    writer.tick(model::Moment(350_000_000));
    kept(2);
}
