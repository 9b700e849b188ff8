//! The ledger against every cut, every flipped bit and every failing operation.

use model::Unit;

use super::*;
use crate::disk::sim::{Fault, Keep, SimDisk};

fn station() -> StationId {
    StationId::new("bench").unwrap()
}

fn output(name: &str) -> OutputId {
    OutputId::new(name).unwrap()
}

fn entry(name: &str) -> LedgerEntry {
    LedgerEntry {
        output: output(name),
        value: Quantity::new(32.1, Unit::new("{step}").unwrap()),
        engage: vec![1, 2, 255],
        release: vec![0],
        at_most: Span::from_secs(30),
        controller_timeout: Some(Span::from_secs(5)),
        at_utc_nanos: 1_795_593_600_000_000_001,
    }
}

fn names(outstanding: &[Outstanding]) -> Vec<&str> {
    outstanding
        .iter()
        .map(|o| match o {
            Outstanding::Entry(entry) => entry.output.as_str(),
            Outstanding::Unreadable { .. } => "?",
        })
        .collect()
}

#[test]
fn what_was_not_cleared_is_outstanding_at_the_next_start() {
    let folder = tempfile::tempdir().unwrap();
    let (mut ledger, outstanding) = HoldLedger::open(folder.path(), &station()).unwrap();
    assert!(outstanding.is_empty());
    ledger.intend(entry("fan")).unwrap();
    ledger.intend(entry("idle_valve")).unwrap();
    assert!(ledger.intend(entry("fan")).is_err(), "an output is held once");
    ledger.cleared(&output("fan")).unwrap();
    assert_eq!(ledger.outstanding(), [entry("idle_valve")]);
    assert!(HoldLedger::open(folder.path(), &station()).is_err(), "two programs on one station");
    drop(ledger);
    let (mut ledger, outstanding) = HoldLedger::open(folder.path(), &station()).unwrap();
    assert_eq!(outstanding, [Outstanding::Entry(entry("idle_valve"))]);
    ledger.cleared(&output("idle_valve")).unwrap();
    drop(ledger);
    let (_ledger, outstanding) = HoldLedger::open(folder.path(), &station()).unwrap();
    assert!(outstanding.is_empty());
    let text = std::fs::read(folder.path().join(".ledger/bench.jsonl")).unwrap();
    assert!(text.is_empty(), "an empty ledger is compacted");
}

#[test]
fn the_same_hold_with_a_longer_window_takes_its_place_and_nothing_else_does() {
    let folder = tempfile::tempdir().unwrap();
    let (mut ledger, _) = HoldLedger::open(folder.path(), &station()).unwrap();
    ledger.intend(entry("fan")).unwrap();
    let longer = LedgerEntry { at_most: Span::from_secs(60), ..entry("fan") };
    ledger.intend(longer.clone()).unwrap();
    assert_eq!(ledger.outstanding(), std::slice::from_ref(&longer));
    for other in [
        LedgerEntry { at_most: Span::from_secs(40), ..entry("fan") },
        LedgerEntry { release: vec![7], at_most: Span::from_secs(90), ..entry("fan") },
        LedgerEntry { engage: vec![7], at_most: Span::from_secs(90), ..entry("fan") },
    ] {
        assert!(ledger.intend(other).is_err());
    }
    drop(ledger);
    let (mut ledger, outstanding) = HoldLedger::open(folder.path(), &station()).unwrap();
    assert_eq!(outstanding, [Outstanding::Entry(longer)]);
    ledger.cleared(&output("fan")).unwrap();
    assert!(ledger.outstanding().is_empty(), "one clearing is enough for both entries");
}

#[test]
fn a_value_that_is_no_number_is_refused() {
    let folder = tempfile::tempdir().unwrap();
    let (mut ledger, _) = HoldLedger::open(folder.path(), &station()).unwrap();
    let mut bad = entry("fan");
    bad.value.value = f64::NAN;
    assert!(ledger.intend(bad).is_err());
    assert!(ledger.outstanding().is_empty());
}

#[test]
fn a_ledger_in_long_use_stays_small() {
    let disk = SimDisk::new(Fault::Never);
    let (mut ledger, _) = HoldLedger::open_on(Arc::new(disk.clone()), Path::new("/"), &station()).unwrap();
    for _ in 0..2_000 {
        ledger.intend(entry("fan")).unwrap();
        ledger.cleared(&output("fan")).unwrap();
    }
    let largest = disk.files(Path::new("/.ledger"))["bench.jsonl"].len() as u64;
    assert!(largest < EMPTIED_AT + 1_000, "{largest}");
    ledger.intend(entry("idle_valve")).unwrap();
    drop(ledger);
    let (_, outstanding) = HoldLedger::open_on(Arc::new(disk), Path::new("/"), &station()).unwrap();
    assert_eq!(names(&outstanding), ["idle_valve"]);
}

fn lines() -> Vec<String> {
    [
        Line::Intent(entry("fan")),
        Line::Intent(entry("idle_valve")),
        Line::Cleared(output("fan")),
        Line::Intent(entry("pump")),
    ]
    .iter()
    .map(line_text)
    .collect()
}

#[test]
fn each_line_is_json_that_any_reader_can_parse() {
    for line in lines() {
        let value: serde_json::Value = serde_json::from_str(&line).unwrap();
        assert!(value["say"].is_object(), "{value}");
    }
}

#[test]
fn torn_at_any_byte_every_hold_that_may_be_is_outstanding() {
    let lines = lines();
    let text = lines.concat();
    for length in 0..=text.len() {
        let (entries, unreadable) = replay(&text.as_bytes()[..length]);
        let mut expected = std::collections::BTreeSet::new();
        let mut end = 0;
        let mut torn = false;
        for (line, (name, held)) in
            lines.iter().zip([("fan", true), ("idle_valve", true), ("fan", false), ("pump", true)])
        {
            let begin = end;
            end += line.len();
            if end <= length {
                if held {
                    expected.insert(name)
                } else {
                    expected.remove(name)
                };
            } else if begin < length {
                torn = true;
            }
        }
        let found: std::collections::BTreeSet<&str> = entries.keys().map(OutputId::as_str).collect();
        assert_eq!(found, expected, "cut at {length}");
        assert_eq!(!unreadable.is_empty(), torn, "cut at {length}");
    }
}

#[test]
fn no_flipped_bit_hides_a_hold() {
    let text = lines().concat().into_bytes();
    let (good, _) = replay(&text);
    for bit in 0..text.len() * 8 {
        let mut bad = text.clone();
        bad[bit / 8] ^= 1 << (bit % 8);
        let (entries, unreadable) = replay(&bad);
        assert!(!unreadable.is_empty(), "bit {bit}");
        assert!(entries.values().all(|e| good.values().chain([&entry("fan")]).any(|g| g == e)), "bit {bit}");
    }
}

#[test]
fn an_unreadable_line_is_told_until_it_is_settled() {
    let folder = tempfile::tempdir().unwrap();
    let (mut ledger, _) = HoldLedger::open(folder.path(), &station()).unwrap();
    ledger.intend(entry("fan")).unwrap();
    drop(ledger);
    let path = folder.path().join(".ledger/bench.jsonl");
    let text = std::fs::read(&path).unwrap();
    std::fs::write(&path, &text[..text.len() - 3]).unwrap();
    for _ in 0..2 {
        let (_ledger, outstanding) = HoldLedger::open(folder.path(), &station()).unwrap();
        let [Outstanding::Unreadable { line: 1, seen }] = outstanding.as_slice() else {
            panic!("{outstanding:?}")
        };
        assert!(seen.contains("fan"));
    }
    let (mut ledger, _) = HoldLedger::open(folder.path(), &station()).unwrap();
    ledger.cleared_unreadable().unwrap();
    drop(ledger);
    assert!(HoldLedger::open(folder.path(), &station()).unwrap().1.is_empty());
}

#[test]
fn whatever_fails_a_hold_that_was_allowed_is_outstanding() {
    let run = |disk: &SimDisk| {
        let mut allowed = std::collections::BTreeSet::new();
        let mut maybe = std::collections::BTreeSet::new();
        let Ok((mut ledger, _)) = HoldLedger::open_on(Arc::new(disk.clone()), Path::new("/"), &station())
        else {
            return (allowed, maybe);
        };
        for name in ["fan", "idle_valve", "pump"] {
            maybe.insert(name);
            if ledger.intend(entry(name)).is_ok() {
                allowed.insert(name);
            } else {
                assert!(ledger.intend(entry("other")).is_err(), "nothing is held after the ledger failed");
            }
            if name == "fan" && allowed.contains(name) && ledger.cleared(&output(name)).is_ok() {
                allowed.remove(name);
            }
        }
        (allowed, maybe)
    };
    let whole = SimDisk::new(Fault::Never);
    run(&whole);
    for n in 0..=whole.operations() {
        for fault in [Fault::Once(n), Fault::From(n)] {
            let disk = SimDisk::new(fault);
            let (mut allowed, maybe) = run(&disk);
            for keep in [Keep::Nothing, Keep::Half, Keep::Everything] {
                let after = disk.crash(keep, Fault::Never);
                let (_, outstanding) =
                    HoldLedger::open_on(Arc::new(after), Path::new("/"), &station()).unwrap();
                let found = names(&outstanding);
                // A clearing that was not promised may have reached the disk all the same: then the output
                // is back.
                if !found.contains(&"fan") {
                    allowed.remove("fan");
                }
                assert!(
                    allowed.iter().all(|a| found.contains(a)),
                    "{fault:?} {keep:?}: {found:?} of {allowed:?}"
                );
                assert!(
                    found.iter().all(|f| *f == "?" || maybe.contains(f)),
                    "{fault:?} {keep:?}: {found:?}"
                );
            }
        }
    }
}
