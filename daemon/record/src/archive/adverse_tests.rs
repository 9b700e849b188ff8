//! What an archive does when the world around it misbehaves: it survives or refuses with one clear line, and touches nothing
//! else.

use std::fs;

use model::{Ending, Moment, Sample};

use super::*;
use crate::disk::sim::{Fault, Keep, SimDisk};
use crate::read::read_session;
use crate::testing::{event, head, sample};

fn on_sim(disk: &SimDisk) -> Archive {
    Archive::open_on(Arc::new(disk.clone()), Path::new("/")).unwrap().0
}

#[test]
fn a_disk_that_fills_up_stops_the_recording_and_keeps_what_was_synced() {
    let disk = SimDisk::new(Fault::Never);
    let mut writer = on_sim(&disk).begin(head("s1")).unwrap();
    writer.sample(&sample("rpm", 0, 30));
    writer.sync().unwrap();
    disk.set_fault(Fault::Full(0));
    writer.sample(&sample("rpm", 10_000_000, 31));
    let told = writer.sync().unwrap_err();
    assert!(told.cure.contains("make room"), "{told}");
    // Whoever records goes on, and nothing comes of it but a count.
    disk.set_fault(Fault::Never);
    writer.sample(&sample("rpm", 20_000_000, 32));
    writer.event(&event("s1", 1, 20_000_000, "x"));
    assert_eq!(writer.sync(), Err(told));
    let refused = writer.close(Ending::Passed).unwrap_err();
    assert!(refused.seen.contains("2 records after it are lost"), "{refused}");
    let (_, recovered) =
        Archive::open_on(Arc::new(disk.crash(Keep::Nothing, Fault::Never)), Path::new("/")).unwrap();
    let RecoveryOutcome::Closed { closed, cut: None } = &recovered[0].outcome else {
        panic!("{recovered:?}")
    };
    assert_eq!((closed.samples, closed.ending), (1, None));
}

#[test]
fn a_disk_that_is_full_refuses_a_session_with_its_cure() {
    let disk = SimDisk::new(Fault::Full(0));
    let refused = on_sim(&disk).begin(head("s1")).err().unwrap();
    assert!(refused.cure.contains("make room"), "{refused}");
}

#[test]
fn a_read_only_archive_can_be_read_and_refuses_a_session_with_its_cure() {
    let disk = SimDisk::new(Fault::Never);
    on_sim(&disk).begin(head("s1")).unwrap().close(Ending::Passed).unwrap();
    // A crash left another session behind.
    drop(on_sim(&disk).begin(head("s2")).unwrap());
    disk.set_fault(Fault::ReadOnly(0));
    let (archive, recovered) = Archive::open_on(Arc::new(disk), Path::new("/")).unwrap();
    let [Recovered { outcome: RecoveryOutcome::Left(problem), .. }] = &recovered[..] else {
        panic!("{recovered:?}")
    };
    assert!(problem.cure.contains("read-only"), "{problem}");
    assert_eq!(archive.sessions().unwrap().len(), 1);
    let refused = archive.begin(head("s3")).err().unwrap();
    assert!(refused.cure.contains("read-only"), "{refused}");
}

#[test]
fn a_clock_that_is_set_back_goes_on_syncing() {
    let disk = SimDisk::new(Fault::Never);
    let mut writer = on_sim(&disk).begin(head("s1")).unwrap();
    let rows: Vec<Sample> = [5_000, 5_100, 40, 290].map(|ms| sample("rpm", ms * 1_000_000, ms)).into();
    let mut synced = Vec::new();
    for row in &rows {
        writer.sample(row);
        writer.tick(row.at);
        let safe = disk.crash(Keep::Nothing, Fault::Never);
        let (_, recovered) = Archive::open_on(Arc::new(safe), Path::new("/")).unwrap();
        let RecoveryOutcome::Closed { closed, .. } = &recovered[0].outcome else { panic!("{recovered:?}") };
        synced.push(closed.samples);
    }
    // The first tick begins the count; going back counts as due; 250 ms later it is due again.
    assert_eq!(synced, [0, 0, 3, 4]);
    assert_eq!(writer.close(Ending::Passed).unwrap().samples, 4);
}

#[test]
fn two_programs_record_into_one_archive_and_neither_takes_the_others_session() {
    let folder = tempfile::tempdir().unwrap();
    let [one, other] = [0, 1].map(|_| Archive::open(folder.path()).unwrap().0);
    let mut writers = [one.begin(head("s1")).unwrap(), other.begin(head("s2")).unwrap()];
    for archive in [&one, &other] {
        for session in ["s1", "s2"] {
            let refused = archive.begin(head(session)).err().unwrap();
            assert!(refused.cure.contains("another id"), "{refused}");
        }
        assert_eq!(archive.recover_all().unwrap(), []);
    }
    for i in 0..100 {
        for writer in &mut writers {
            writer.sample(&sample("rpm", i * 10_000_000, i));
            writer.tick(Moment(i * 10_000_000));
        }
    }
    for writer in writers {
        let closed = writer.close(Ending::Passed).unwrap();
        let read = read_session(&closed.path).unwrap();
        let raws: Vec<i64> = read.samples().unwrap().map(|s| s.unwrap().raw).collect();
        assert_eq!(raws, (0..100).collect::<Vec<_>>());
    }
    assert_eq!(one.sessions().unwrap().len(), 2);
}

#[test]
fn a_session_that_vanishes_while_it_is_recorded_is_told_and_hurts_no_other() {
    let vanish: [fn(&Path) -> io::Result<()>; 3] = [
        |open| fs::remove_dir_all(open),
        |open| fs::remove_file(open.join(JOURNAL)),
        |open| fs::rename(open, open.with_file_name("elsewhere")),
    ];
    for vanish in vanish {
        let folder = tempfile::tempdir().unwrap();
        let (archive, _) = Archive::open(folder.path()).unwrap();
        let mut writer = archive.begin(head("s1")).unwrap();
        writer.tick(Moment(0));
        vanish(writer.path()).unwrap();
        writer.sample(&sample("rpm", 0, 30));
        writer.tick(Moment(250_000_000));
        let problem = writer.problem().expect("it is told with the next sync").clone();
        assert!(problem.seen.contains("removed or moved"), "{problem}");
        writer.sample(&sample("rpm", 0, 31));
        assert!(writer.close(Ending::Passed).is_err());
        let mut next = archive.begin(head("s3")).unwrap();
        next.sample(&sample("rpm", 0, 30));
        assert_eq!(next.close(Ending::Passed).unwrap().samples, 1);
        for one in archive.recover_all().unwrap() {
            assert!(matches!(one.outcome, RecoveryOutcome::MovedAside(_)), "{one}");
        }
    }
}

#[test]
fn a_lock_that_a_dead_program_left_locks_nobody_out() {
    let folder = tempfile::tempdir().unwrap();
    let (archive, _) = Archive::open(folder.path()).unwrap();
    let mut writer = archive.begin(head("s1")).unwrap();
    writer.sample(&sample("rpm", 0, 30));
    drop(writer);
    let locks = [folder.path().join(".open/s1.lock"), folder.path().join(".open/s2.lock")];
    fs::write(&locks[1], b"").unwrap();
    assert!(locks.iter().all(|lock| lock.is_file()));
    let (archive, recovered) = Archive::open(folder.path()).unwrap();
    assert_eq!(recovered.len(), 1);
    archive.begin(head("s2")).unwrap().close(Ending::Passed).unwrap();
    assert!(locks.iter().all(|lock| !lock.exists()), "a lock goes with its session");
}

#[test]
fn an_archive_that_is_a_file_is_refused_with_its_cure_and_left_as_it_was() {
    let folder = tempfile::tempdir().unwrap();
    let root = folder.path().join("archive");
    fs::write(&root, b"a letter").unwrap();
    for root in [root.clone(), root.join("below")] {
        let refused = Archive::open(&root).err().unwrap();
        assert!(refused.cure.contains("choose another archive folder"), "{refused}");
    }
    assert_eq!(fs::read(root).unwrap(), b"a letter");
}

#[test]
fn a_folder_without_its_journal_is_kept_aside_with_what_is_in_it() {
    let folder = tempfile::tempdir().unwrap();
    let within = folder.path().join(".open/s1/closing");
    fs::create_dir_all(&within).unwrap();
    fs::write(within.join("samples.parquet"), b"x").unwrap();
    let (_, recovered) = Archive::open(folder.path()).unwrap();
    let RecoveryOutcome::MovedAside(problem) = &recovered[0].outcome else { panic!("{recovered:?}") };
    assert!(problem.seen.contains("journal is gone"), "{problem}");
    assert!(folder.path().join(".broken/s1/closing/samples.parquet").is_file());
}

/// A session that could not begin leaves nothing that would stand in the way of trying the same name again.
#[test]
fn what_could_not_begin_can_be_begun_again_once_there_is_room() {
    let counted = SimDisk::new(Fault::Never);
    let before = {
        let archive = on_sim(&counted);
        let before = counted.operations();
        drop(archive.begin(head("s1")).unwrap());
        before
    };
    let mut refused = 0;
    for n in before..counted.operations() {
        let disk = SimDisk::new(Fault::Once(n));
        let archive = on_sim(&disk);
        let Err(problem) = archive.begin(head("s1")) else { continue };
        refused += 1;
        assert!(!problem.cure.is_empty());
        let mut writer = archive.begin(head("s1")).unwrap_or_else(|again| panic!("operation {n}: {again}"));
        writer.sample(&sample("rpm", 0, 30));
        assert_eq!(writer.close(Ending::Passed).unwrap().samples, 1, "operation {n}");
    }
    assert!(refused > 8, "{refused}");
}

#[cfg(unix)]
mod links {
    use std::os::unix::fs::symlink;

    use super::*;

    /// An archive with a session that a crash left, and a folder outside it with another.
    fn two() -> (tempfile::TempDir, PathBuf, PathBuf) {
        let folder = tempfile::tempdir().unwrap();
        let [root, outside] = ["archive", "outside"].map(|name| folder.path().join(name));
        for (root, session) in [(&root, "s1"), (&outside, "s2")] {
            let mut writer = Archive::open(root).unwrap().0.begin(head(session)).unwrap();
            writer.sample(&sample("rpm", 0, 30));
        }
        (folder, root, outside)
    }

    fn everything(folder: &Path) -> Vec<(PathBuf, Vec<u8>)> {
        let mut all = Vec::new();
        for entry in fs::read_dir(folder).unwrap() {
            let path = entry.unwrap().path();
            if path.is_dir() {
                all.extend(everything(&path));
            } else {
                all.push((path.clone(), fs::read(path).unwrap()));
            }
        }
        all.sort();
        all
    }

    fn left(recovered: &[Recovered], session: &str) -> String {
        let one =
            recovered.iter().find(|one| one.session == session).unwrap_or_else(|| panic!("{recovered:?}"));
        let RecoveryOutcome::Left(problem) = &one.outcome else { panic!("{one:?}") };
        problem.to_string()
    }

    #[test]
    fn to_a_session_elsewhere_is_not_followed() {
        let (_folder, root, outside) = two();
        let before = everything(&outside);
        symlink(outside.join(".open/s2"), root.join(".open/s2")).unwrap();
        let (_, recovered) = Archive::open(&root).unwrap();
        assert_eq!(recovered.len(), 1, "{recovered:?}");
        assert_eq!(everything(&outside), before);
    }

    #[test]
    fn to_a_journal_elsewhere_is_refused() {
        let (_folder, root, outside) = two();
        let before = everything(&outside);
        fs::create_dir(root.join(".open/s2")).unwrap();
        symlink(outside.join(".open/s2/journal"), root.join(".open/s2/journal")).unwrap();
        let (_, recovered) = Archive::open(&root).unwrap();
        assert!(left(&recovered, "s2").contains("not followed"), "{recovered:?}");
        assert_eq!(everything(&outside), before);
    }

    #[test]
    fn in_the_place_of_a_half_closed_session_is_removed_alone() {
        let (_folder, root, outside) = two();
        let before = everything(&outside);
        symlink(&outside, root.join(".open/s1/closing")).unwrap();
        let (_, recovered) = Archive::open(&root).unwrap();
        assert!(matches!(recovered[0].outcome, RecoveryOutcome::Closed { .. }), "{recovered:?}");
        assert_eq!(everything(&outside), before);
    }

    #[test]
    fn in_the_place_of_a_cars_folder_is_not_followed() {
        let (_folder, root, outside) = two();
        let before = everything(&outside);
        symlink(&outside, root.join("car=bench-car")).unwrap();
        let (archive, recovered) = Archive::open(&root).unwrap();
        assert!(left(&recovered, "s1").contains("is a file or a link"), "{recovered:?}");
        assert_eq!(everything(&outside), before);
        fs::remove_file(root.join("car=bench-car")).unwrap();
        let again = archive.recover_all().unwrap();
        assert!(matches!(again[0].outcome, RecoveryOutcome::Closed { .. }), "{again:?}");
    }

    #[test]
    fn in_the_place_of_the_open_sessions_is_refused() {
        let (_folder, root, outside) = two();
        fs::rename(root.join(".open"), root.join("open")).unwrap();
        let before = everything(&outside);
        symlink(outside.join(".open"), root.join(".open")).unwrap();
        let refused = Archive::open(&root).err().unwrap();
        assert!(refused.cure.contains("move it away"), "{refused}");
        let refused = Archive::unrecovered(&root).unwrap().begin(head("s3")).err().unwrap();
        assert!(refused.cure.contains("move it away"), "{refused}");
        assert_eq!(everything(&outside), before);
    }

    #[test]
    fn in_the_place_of_a_lock_makes_nothing_elsewhere() {
        let (_folder, root, outside) = two();
        let lock = root.join(".open/s3.lock");
        symlink(outside.join("made"), &lock).unwrap();
        let refused = Archive::unrecovered(&root).unwrap().begin(head("s3")).err().unwrap();
        assert!(refused.cure.contains("not followed"), "{refused}");
        assert!(!outside.join("made").exists());
    }
}
