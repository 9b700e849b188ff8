//! Every operation of the disk fails, in every way, while a session is written, closed and recovered, and the machine or the
//! program ends there; so does the recovery, and the recovery of that: nothing that was synced is lost, nothing is invented,
//! nothing half-written is seen, nothing panics.

use std::collections::BTreeSet;
use std::fs;

use model::{Ending, EventEnvelope, Sample};

use super::*;
use crate::card::SessionCard;
use crate::close::check_digest;
use crate::disk::read_all;
use crate::disk::sim::{Fault, Keep, SimDisk};
use crate::read::read_session;
use crate::testing::{event, head, in_full, sample};

const KEEPS: [Keep; 6] =
    [Keep::Nothing, Keep::Half, Keep::Names, Keep::Later, Keep::Everything, Keep::Program];

const FAULTS: [fn(u64) -> Fault; 4] = [Fault::Once, Fault::From, Fault::Full, Fault::ReadOnly];

fn root() -> &'static Path {
    Path::new("/")
}

fn script() -> (Vec<Sample>, Vec<EventEnvelope>) {
    let channel = |i: i64| if i % 2 == 0 { "rpm" } else { "volts" };
    let samples = (0..12).map(|i| sample(channel(i), i * 10_000_000, 30 + i)).collect();
    let events = (0..3).map(|i| event("s1", i + 1, i as i64 * 40, "x")).collect();
    (samples, events)
}

/// What a run had been promised when its disk failed.
#[derive(Debug, Default, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
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

/// Whatever of an archive can be seen is whole, also before anything is recovered.
fn nothing_half_written_is_seen(disk: &SimDisk, case: &str) {
    let archive = Archive::on(Arc::new(disk.clone()), root());
    for session in archive.sessions().unwrap() {
        let path = session.join(CARD);
        let card = SessionCard::from_bytes(&read_all(disk, &path).unwrap(), &path)
            .unwrap_or_else(|problem| panic!("{case}: {problem}"));
        for file in &card.files {
            let path = session.join(&file.name);
            let mut source = disk.read(&path).unwrap_or_else(|e| panic!("{case}: {}: {e}", path.display()));
            check_digest(&mut *source, &path, &file.sha256)
                .unwrap_or_else(|problem| panic!("{case}: {problem}"));
        }
    }
}

/// Opens the archive on a disk that works again and checks what is in it.
fn check(disk: &SimDisk, promised: Promised, seen: &mut BTreeSet<(u64, Promised)>, case: &str) {
    let (archive, recovered) = Archive::open_on(Arc::new(disk.clone()), root())
        .unwrap_or_else(|problem| panic!("{case}: {problem}"));
    // What has been looked at need not be looked at again.
    if !seen.insert((disk.digest(), promised)) {
        return;
    }
    assert_eq!(archive.unclosed().unwrap(), [""; 0], "{case}: {recovered:?}");
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
    // A crash that kept later bytes without earlier ones may leave a hole in what nobody was promised.
    for promised in &samples[..promised.samples] {
        assert!(read.contains(promised), "{case}: {promised:?} is lost");
    }
    for promised in &events[..promised.events] {
        assert!(session.events.contains(promised), "{case}: {promised:?} is lost");
    }
    let order =
        |found: Vec<Option<usize>>| found.iter().all(Option::is_some) && found.is_sorted_by(|a, b| a < b);
    assert!(order(read.iter().map(|s| samples.iter().position(|r| r == s)).collect()), "{case}: {read:?}");
    assert!(
        order(session.events.iter().map(|e| events.iter().position(|r| r == e)).collect()),
        "{case}: {:?}",
        session.events
    );
    if promised.closed {
        assert_eq!((read.len(), session.card.ending), (samples.len(), Some(Ending::Passed)), "{case}");
    }
}

/// A disk as a crash left it, and what had been promised by then.
struct Left {
    disk: SimDisk,
    promised: Promised,
    how: String,
}

/// Lets something run on each of some disks, with every operation failing in every way, and crashes there. Gives the
/// disks that differ and the number of crashes.
fn crash_everywhere(
    from: &[Left],
    faults: &[fn(u64) -> Fault],
    act: impl Fn(&SimDisk, Promised) -> Promised,
) -> (Vec<Left>, usize) {
    let (mut left, mut seen, mut points) = (Vec::new(), BTreeSet::new(), 0);
    for start in from {
        let whole = start.disk.crash(Keep::Program, Fault::Never);
        act(&whole, start.promised);
        for n in 0..whole.operations() {
            for fault in faults.iter().map(|fault| fault(n)) {
                let disk = start.disk.crash(Keep::Program, fault);
                let promised = act(&disk, start.promised);
                for keep in KEEPS {
                    points += 1;
                    let disk = disk.crash(keep, Fault::Never);
                    if seen.insert((disk.digest(), promised)) {
                        let how = format!("{}, {fault:?} {keep:?}", start.how);
                        nothing_half_written_is_seen(&disk, &how);
                        left.push(Left { disk: disk.crash(Keep::Program, Fault::Never), promised, how });
                    }
                }
            }
        }
    }
    (left, points)
}

/// Crashes three deep. The second comes within the recovery of one in `second` of the disks that a first one leaves, the
/// third within that of one in `third` of those that two leave.
fn three_deep(second: usize, third: usize) {
    let empty = SimDisk::new(Fault::Never);
    assert!(run(&empty.crash(Keep::Program, Fault::Never)).closed);
    let mut left = vec![Left { disk: empty, promised: Promised::default(), how: "recording".into() }];
    let recover = |disk: &SimDisk, promised: Promised| {
        // It may fail as a whole or leave the session where it is.
        Archive::open_on(Arc::new(disk.clone()), root()).ok();
        promised
    };
    let mut checked = BTreeSet::new();
    let mut told = Vec::new();
    for (depth, faults, least) in [(1, &FAULTS[..], 100), (2, &FAULTS[..], 1_000), (3, &FAULTS[1..2], 3_000)]
    {
        let share = [1, second, third][depth - 1];
        left = left.into_iter().step_by(share).collect();
        let points;
        (left, points) = match depth {
            1 => crash_everywhere(&left, faults, |disk, _| run(disk)),
            _ => crash_everywhere(&left, faults, recover),
        };
        for one in &left {
            check(&one.disk.crash(Keep::Program, Fault::Never), one.promised, &mut checked, &one.how);
        }
        told.push(format!("{points} {depth} deep (leaving {} different disks)", left.len()));
        assert!(points >= least, "{depth} deep: {points}");
    }
    println!("crashes: {}", told.join(", "));
}

#[test]
fn three_crashes_one_within_the_recovery_of_another_lose_nothing_that_was_synced() {
    let (second, third) = if in_full() { (1, 1) } else { (4, 20) };
    three_deep(second, third);
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
