//! Notes written and read back, and everything that is refused.

use std::collections::BTreeMap;
use std::fs;
use std::sync::Arc;

use proptest::prelude::*;

use super::edit::edit_on;
use super::*;
use crate::disk::sim::{Fault, Keep, SimDisk};
use crate::disk::{Disk, RealDisk};
use crate::layout::CARD;

fn session() -> tempfile::TempDir {
    let folder = tempfile::tempdir().unwrap();
    fs::write(folder.path().join(CARD), "{}").unwrap();
    folder
}

fn recorded() -> BTreeMap<String, String> {
    BTreeMap::from([("who".into(), "me".into()), ("fuel".into(), "e10".into())])
}

#[test]
fn tags_are_added_changed_and_removed_over_those_that_were_recorded() {
    let (folder, recorded) = (session(), recorded());
    edit_notes(folder.path(), |notes| {
        notes.set_tag("fuel", "e5", &recorded);
        notes.set_tag("weather", "rain", &recorded);
        assert!(notes.remove_tag("who", &recorded) && !notes.remove_tag("nobody", &recorded));
        Ok(())
    })
    .unwrap();
    let notes = read_notes(folder.path()).unwrap();
    let now: Vec<_> = notes.tags_over(&recorded).into_iter().collect();
    assert_eq!(now, [("fuel".into(), "e5".into()), ("weather".into(), "rain".into())]);
    let back = edit_notes(folder.path(), |notes| {
        notes.set_tag("fuel", "e10", &recorded);
        notes.set_tag("who", "me", &recorded);
        notes.remove_tag("weather", &recorded);
        Ok(())
    });
    assert_eq!(back.unwrap().tags, BTreeMap::new(), "what says the same as the record is not kept twice");
    let names: Vec<String> = RealDisk.list(folder.path()).unwrap().into_iter().map(|e| e.name).collect();
    assert_eq!(names, [NOTES, CARD], "no lock and no half file stays behind");
}

#[test]
fn absurd_tags_and_notes_are_refused_and_what_was_there_stays() {
    let folder = session();
    edit_notes(folder.path(), |notes| {
        notes.keep = true;
        Ok(())
    })
    .unwrap();
    let before = fs::read(folder.path().join(NOTES)).unwrap();
    let long = "x".repeat(LONGEST_VALUE + 1);
    for (key, value, why) in [
        ("", "x", "no key"),
        ("  ", "x", "no key"),
        (" a", "x", "space"),
        ("a=b", "x", "'='"),
        (&long[..LONGEST_KEY + 1], "x", "65 bytes"),
        ("a", &long, "1025 bytes"),
        ("a\u{7}", "x", "control"),
        ("a", "x\ny", "control"),
        ("a", "\u{0}", "control"),
    ] {
        let set = |notes: &mut Notes| {
            notes.tags.insert(key.into(), Some(value.into()));
            Ok(())
        };
        let problem = edit_notes(folder.path(), set).unwrap_err();
        assert!(problem.seen.contains(why) && !problem.cure.is_empty(), "{key:?}: {problem}");
        assert!(check_tag(key, value).is_err());
    }
    let many = edit_notes(folder.path(), |notes| {
        notes.tags = (0..=MOST_TAGS).map(|i| (format!("k{i}"), None)).collect();
        Ok(())
    });
    assert!(many.unwrap_err().seen.contains("101 tags"));
    for text in ["", " \n", "bell \u{7}", &"x".repeat(LONGEST_NOTE + 1)] {
        assert!(check_note(text).is_err(), "{text:?}");
    }
    check_note("two\nlines\tand a tab").unwrap();
    assert_eq!(fs::read(folder.path().join(NOTES)).unwrap(), before);
}

#[test]
fn a_file_that_is_not_of_the_form_is_refused_with_its_reason_and_never_written_over() {
    let folder = session();
    let path = folder.path().join(NOTES);
    for (text, why) in [
        ("", "EOF"),
        ("{", "EOF"),
        ("[]", "not the notes"),
        (r#"{"schema":1,"tgas":{}}"#, "unknown field `tgas`"),
        (r#"{"schema":1,"notes":[{"utc_nanos":1,"text":"a","by":"me"}]}"#, "unknown field `by`"),
        (r#"{"schema":2,"colour":"red"}"#, "version 2, newer"),
        (r#"{"schema":0}"#, "version 0"),
        (r#"{"tags":{}}"#, "missing field `schema`"),
        (r#"{"schema":1,"tags":{"a=b":"c"}}"#, "'='"),
        (r#"{"schema":1,"notes":[{"utc_nanos":1,"text":" "}]}"#, "says nothing"),
    ] {
        fs::write(&path, text).unwrap();
        let problem = read_notes(folder.path()).unwrap_err();
        assert!(problem.seen.contains(why), "{text}: {problem}");
        assert!(problem.place.to_string().ends_with(NOTES), "{problem}");
        assert!(edit_notes(folder.path(), |_| Ok(())).is_err());
        assert_eq!(fs::read_to_string(&path).unwrap(), text);
    }
}

#[test]
fn only_one_at_a_time_changes_notes_and_only_those_of_a_session() {
    let folder = session();
    let lock = RealDisk.lock(&folder.path().join(CARD)).unwrap();
    let problem = edit_notes(folder.path(), |_| Ok(())).unwrap_err();
    assert!(problem.seen.contains("another program"), "{problem}");
    drop(lock);
    edit_notes(folder.path(), |_| Ok(())).unwrap();
    assert_eq!(fs::read(folder.path().join(CARD)).unwrap(), b"{}", "locking changes nothing");
    let empty = tempfile::tempdir().unwrap();
    let problem = edit_notes(empty.path(), |_| Ok(())).unwrap_err();
    assert!(problem.seen.contains("no closed session"), "{problem}");
    assert_eq!(fs::read_dir(empty.path()).unwrap().count(), 0);
}

/// Every operation fails once and from then on, under three kinds of crash: the notes are those before or those
/// after, and those after where that was promised.
#[test]
fn a_crash_leaves_the_old_notes_or_the_new_ones() {
    let root = Path::new("/s");
    let start = || {
        let disk = SimDisk::new(Fault::Never);
        disk.create_folder(root).unwrap();
        let mut card = disk.create(&root.join(CARD)).unwrap();
        std::io::Write::write_all(&mut card, b"{}").unwrap();
        card.sync().unwrap();
        disk.sync_folder(root).unwrap();
        disk.sync_folder(Path::new("/")).unwrap();
        disk
    };
    let set = |disk: &SimDisk, value: &str| {
        let disk: Arc<dyn Disk> = Arc::new(disk.clone());
        edit_on(&*disk, root, |notes| {
            notes.tags.insert("a".into(), Some(value.into()));
            Ok(())
        })
    };
    let told = |disk: &SimDisk| {
        let files = disk.files(root);
        let bytes = files.get(NOTES).cloned();
        bytes.map(|b| Notes::from_bytes(&b, Path::new(NOTES)).unwrap().tags["a"].clone().unwrap())
    };
    let first = start();
    set(&first, "old").unwrap();
    let counted = first.crash(Keep::Everything, Fault::Never);
    set(&counted, "new").unwrap();
    let mut cases = 0;
    for n in 0..counted.operations() {
        for fault in [Fault::Once(n), Fault::From(n)] {
            for keep in [Keep::Nothing, Keep::Half, Keep::Everything] {
                let disk = first.crash(Keep::Everything, fault);
                let promised = set(&disk, "new").is_ok();
                let after = disk.crash(keep, Fault::Never);
                let told = told(&after).expect("the old notes were promised");
                assert!(told == "new" || (told == "old" && !promised), "{fault:?} {keep:?}: {told}");
                set(&after, "next").unwrap();
                cases += 1;
            }
        }
    }
    assert!(cases >= 50, "{cases}");
    println!("{cases} points");
}

proptest! {
    #[test]
    fn whatever_lies_there_never_panics(bytes in proptest::collection::vec(any::<u8>(), 0..200)) {
        let _ = Notes::from_bytes(&bytes, Path::new(NOTES));
    }

    #[test]
    fn what_is_written_is_read_back(
        tags in proptest::collection::btree_map("[a-z]{1,8}", proptest::option::of("\\PC{0,20}"), 0..5),
        texts in proptest::collection::vec("[^\\p{Cc}]{0,10}x", 0..4),
        date_correction_ns: i64,
        keep: bool,
    ) {
        let tags = tags.into_iter().map(|(k, v)| (k, v.map(|v| v.replace(char::is_control, "")))).collect();
        let notes = texts.into_iter().map(|text| Note { utc_nanos: date_correction_ns, text }).collect();
        let notes = Notes { schema: NOTES_VERSION, tags, notes, date_correction_ns, keep };
        let bytes = notes.to_bytes(Path::new(NOTES)).unwrap();
        prop_assert_eq!(Notes::from_bytes(&bytes, Path::new(NOTES)).unwrap(), notes);
    }
}
