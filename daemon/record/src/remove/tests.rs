//! What is removed, what is refused, and what a crash in between leaves.

use std::fs;
use std::path::PathBuf;
use std::sync::Arc;

use model::Ending;

use super::*;
use crate::disk::sim::{Fault, Keep, SimDisk};
use crate::notes::edit_notes;
use crate::testing::{STARTED, head, sample};

fn record(archive: &Archive, session: &str, day: i64) -> PathBuf {
    let mut head = head(session);
    head.utc_nanos = STARTED + day * DAY;
    let mut writer = archive.begin(head).unwrap();
    writer.sample(&sample("rpm", 5, 34));
    writer.close(Ending::Passed).unwrap().path
}

fn names(lines: &[&CatalogueLine]) -> Vec<String> {
    lines.iter().map(|line| line.session.clone()).collect()
}

#[test]
fn a_removed_session_is_gone_and_nothing_else() {
    let folder = tempfile::tempdir().unwrap();
    let (archive, _) = Archive::open(folder.path()).unwrap();
    let paths = ["a", "b"].map(|name| record(&archive, name, 0));
    archive.remove(&archive.find("a").unwrap()).unwrap();
    assert!(!paths[0].exists() && paths[1].exists());
    assert_eq!(fs::read_dir(folder.path().join(".trash")).unwrap().count(), 0);
    assert_eq!(archive.empty_trash().unwrap(), 0);
}

#[test]
fn sessions_that_run_or_that_a_crash_left_are_refused() {
    let folder = tempfile::tempdir().unwrap();
    let (archive, _) = Archive::open(folder.path()).unwrap();
    let writer = archive.begin(head("running")).unwrap();
    let problem = archive.remove(&archive.find("running").unwrap()).unwrap_err();
    assert!(problem.seen.contains("being recorded"), "{problem}");
    drop(writer);
    let problem = archive.remove(&archive.find("running").unwrap()).unwrap_err();
    assert!(problem.cure.contains("recover"), "{problem}");
    assert!(folder.path().join(".open/running/journal").is_file());
}

#[cfg(unix)]
#[test]
fn what_a_link_leads_to_is_never_removed() {
    let (folder, outside) = (tempfile::tempdir().unwrap(), tempfile::tempdir().unwrap());
    let (archive, _) = Archive::open(folder.path()).unwrap();
    let path = record(&archive, "a", 0);
    fs::write(outside.path().join("precious"), "x").unwrap();
    std::os::unix::fs::symlink(outside.path(), path.join("link")).unwrap();
    std::os::unix::fs::symlink(outside.path(), path.parent().unwrap().join("linked")).unwrap();
    std::os::unix::fs::symlink(&path, outside.path().join("to-a")).unwrap();
    assert!(archive.find("linked").is_err(), "a link is no session");
    // A link that leads to one of the archive's own sessions is that session.
    let line = archive.find(outside.path().join("to-a").to_str().unwrap()).unwrap();
    assert_eq!(line.path, path);
    archive.remove(&line).unwrap();
    assert!(!path.exists());
    assert_eq!(fs::read_to_string(outside.path().join("precious")).unwrap(), "x");
    let stranger = CatalogueLine::for_tests("a", outside.path());
    assert!(archive.remove(&stranger).unwrap_err().seen.contains("not lie in this archive"));
}

#[test]
fn limits_take_the_oldest_first_and_never_what_is_kept_or_unknown() {
    let folder = tempfile::tempdir().unwrap();
    let (archive, _) = Archive::open(folder.path()).unwrap();
    let paths: Vec<PathBuf> = (0..5).map(|i| record(&archive, &format!("s{i}"), i)).collect();
    let now = STARTED + 10 * DAY;
    let going = |limits: Limits| {
        let lines = archive.catalogue().unwrap();
        names(&limits.exceeding(&lines, now))
    };
    assert_eq!(going(Limits::default()), Vec::<String>::new());
    assert_eq!(going(Limits { days: Some(7), ..Limits::default() }), ["s0", "s1", "s2"]);
    assert_eq!(going(Limits { count: Some(2), ..Limits::default() }), ["s0", "s1", "s2"]);
    let each = archive.find("s0").unwrap().brief.unwrap().bytes;
    assert_eq!(going(Limits { bytes: Some(each * 7 / 2), ..Limits::default() }), ["s0", "s1"]);
    assert_eq!(going(Limits { bytes: Some(0), ..Limits::default() }).len(), 5);

    let keep = |notes: &mut crate::Notes| {
        notes.keep = true;
        Ok(())
    };
    edit_notes(&paths[0], keep).unwrap();
    fs::write(paths[1].join("notes.json"), "{").unwrap();
    assert_eq!(going(Limits { days: Some(7), ..Limits::default() }), ["s2"]);
    assert_eq!(going(Limits { count: Some(2), ..Limits::default() }), ["s2", "s3", "s4"]);
    // A corrected date counts.
    let early = |notes: &mut crate::Notes| {
        notes.date_correction_ns = -30 * DAY;
        Ok(())
    };
    edit_notes(&paths[4], early).unwrap();
    assert_eq!(going(Limits { days: Some(7), ..Limits::default() }), ["s4", "s2"]);
}

/// Every operation fails once and from then on, under three kinds of crash: the session is there whole, or gone.
#[test]
fn a_crash_leaves_the_whole_session_or_none() {
    let root = Path::new("/");
    let before = SimDisk::new(Fault::Never);
    let (archive, _) = Archive::open_on(Arc::new(before.clone()), root).unwrap();
    let path = record(&archive, "a", 0);
    let whole = before.files(&path);
    assert_eq!(whole.len(), 4);
    let line = |path: &Path| CatalogueLine::for_tests("a", path);
    let remove = |disk: &SimDisk| Archive::on_disk(Arc::new(disk.clone()), root).remove(&line(&path));
    let counted = before.crash(Keep::Everything, Fault::Never);
    remove(&counted).unwrap();
    let mut cases = 0;
    for n in 0..=counted.operations() {
        for fault in [Fault::Once(n), Fault::From(n)] {
            for keep in [Keep::Nothing, Keep::Half, Keep::Everything] {
                let disk = before.crash(Keep::Everything, fault);
                let gone = remove(&disk).is_ok();
                let after = disk.crash(keep, Fault::Never);
                let files = after.files(&path);
                assert!(files.is_empty() || (files == whole && !gone), "{fault:?} {keep:?}: {files:?}");
                let archive = Archive::on_disk(Arc::new(after.clone()), root);
                archive.empty_trash().unwrap();
                assert!(after.files(&root.join(".trash")).is_empty());
                cases += 1;
            }
        }
    }
    assert!(cases >= 50, "{cases}");
    println!("{cases} points");
}

#[cfg(unix)]
#[test]
fn a_link_in_the_place_of_the_trash_is_refused_and_what_it_leads_to_stays() {
    let folder = tempfile::tempdir().unwrap();
    let [root, photos] = ["archive", "photos"].map(|name| folder.path().join(name));
    fs::create_dir_all(&photos).unwrap();
    fs::write(photos.join("car"), "x").unwrap();
    let (archive, _) = Archive::open(&root).unwrap();
    std::os::unix::fs::symlink(&photos, root.join(".trash")).unwrap();
    let problem = archive.empty_trash().unwrap_err();
    assert!(problem.seen.contains("link"), "{problem}");
    assert!(photos.join("car").exists());
}
