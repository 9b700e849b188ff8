//! Exports of a rehearsal, from the command line, compared with what was recorded.

use std::collections::BTreeMap;

use model::Sample;
use record::read_session;

use crate::sessions::Archive;

fn rows(text: &str, separator: char) -> Vec<Vec<String>> {
    text.split_terminator("\r\n").map(|line| line.split(separator).map(String::from).collect()).collect()
}

/// The name of the session with seed 1.
const ONE: &str = "rehearsal-hold-demo-seed-1";

#[test]
fn what_is_exported_as_recorded_is_what_was_recorded() {
    let archive = Archive::new();
    let session = read_session(&archive.session(1)).unwrap();
    let samples: Vec<Sample> = session.samples().unwrap().map(Result::unwrap).collect();
    let ran = archive.run("export", &[ONE, "--long", "--digits", "all"]);
    assert_eq!(ran.code, 0, "{}", ran.err);
    let rows = rows(&ran.out, ',');
    let at = |name: &str| rows[0].iter().position(|title| title == name).unwrap();
    let (channel, value, raw) = (at("channel"), at("value"), at("raw"));
    let readings: Vec<&Vec<String>> = rows[1..].iter().filter(|row| !row[raw].is_empty()).collect();
    assert_eq!(readings.len(), samples.len());
    let first = session.card.first.unwrap();
    for (row, sample) in readings.iter().zip(&samples) {
        assert_eq!(row[channel], sample.channel.as_str());
        assert_eq!(row[value].parse::<f64>().unwrap(), sample.value);
        assert_eq!(row[raw].parse::<i64>().unwrap(), sample.raw);
        let seconds: f64 = row[0].parse().unwrap();
        assert!((seconds - sample.at.since(first).as_secs_f64()).abs() < 1e-6);
    }
}

#[test]
fn a_grid_for_a_spreadsheet_has_its_comma_its_units_and_the_values_that_were_last_read() {
    let archive = Archive::new();
    let session = read_session(&archive.session(1)).unwrap();
    let file = archive.path().join("out.csv");
    let file_name = file.to_str().unwrap();
    let words = [
        ONE,
        "--channels",
        "coolant,rpm",
        "--every",
        "500ms",
        "--units",
        "coolant=[degF]",
        "--decimal",
        "comma",
        "--output",
        file_name,
    ];
    let ran = archive.run("export", &words);
    assert_eq!(ran.code, 0, "{}", ran.err);
    let again = archive.run("export", &words);
    assert!(again.code == 2 && again.err.contains("--force"), "{again:?}");
    let forced = archive.run("export", &[&words[..], &["--force"]].concat());
    assert_eq!(forced.code, 0, "{}", forced.err);
    let rows = rows(&std::fs::read_to_string(&file).unwrap(), ';');
    assert_eq!(rows[0], ["time [s]", "coolant [[degF]]", "rpm [{rev}/min]"]);
    let first = session.card.first.unwrap();
    let mut readings: BTreeMap<&str, Vec<(f64, f64)>> = BTreeMap::new();
    let samples: Vec<Sample> = session.samples().unwrap().map(Result::unwrap).collect();
    for sample in samples.iter().filter(|sample| sample.quality.usable()) {
        let at = sample.at.since(first).as_secs_f64();
        readings.entry(sample.channel.as_str()).or_default().push((at, sample.value));
    }
    let mut compared = 0;
    for row in &rows[1..] {
        let number = |cell: &String| cell.replace(',', ".").parse::<f64>().ok();
        let at = number(&row[0]).unwrap();
        for (cell, channel) in [(&row[1], "coolant"), (&row[2], "rpm")] {
            assert!(!cell.contains('.'), "{row:?}");
            let Some(value) = number(cell) else { continue };
            let last = readings[channel].iter().rev().find(|(read, _)| *read <= at + 1e-9).unwrap().1;
            // A degree Celsius is 1.8 degrees Fahrenheit, 0 is 32 (NIST SP 811, B.8, from memory).
            let wanted = if channel == "coolant" { last * 1.8 + 32.0 } else { last };
            let count = session.head().channels.iter().find(|c| c.id.as_str() == channel).unwrap().resolution;
            assert!((value - wanted).abs() <= count, "{channel} at {at}: {value}, not {wanted}");
            compared += 1;
        }
    }
    assert!(compared > 20, "{compared}");
}

#[test]
fn steps_rules_and_parquet_come_from_the_command_line_too() {
    let archive = Archive::new();
    let file = archive.path().join("out.parquet");
    let words = [
        ONE,
        "--step",
        "warm",
        "--every",
        "sample-of=rpm",
        "--fill",
        "linear",
        "--max-age",
        "2s",
        "--output",
    ];
    let ran = archive.run("export", &[&words[..], &[file.to_str().unwrap()]].concat());
    assert_eq!(ran.code, 0, "{}", ran.err);
    let bytes = std::fs::read(&file).unwrap();
    assert!(bytes.starts_with(b"PAR1") && bytes.ends_with(b"PAR1"));
    assert!(ran.out.contains(" rows in "), "{}", ran.out);
    let none =
        archive.run("export", &["last", "--fill", "none", "--from", "0", "--to", "5", "--time", "utc"]);
    assert_eq!(none.code, 0, "{}", none.err);
    let rows = rows(&none.out, ',');
    assert_eq!(rows.len(), 52, "a header and a row every 100 ms from 0 to 5 s");
    assert!(rows[1][0].starts_with("2026-01-01T00:00:"), "{:?}", rows[1]);
}

#[test]
fn bad_input_is_told_with_its_cure_and_leaves_no_file() {
    let archive = Archive::new();
    let file = archive.path().join("out.csv");
    let name = file.to_str().unwrap();
    for (words, part) in [
        (vec![ONE, "--channels", "rmp"], "did you mean 'rpm'?"),
        (vec![ONE, "--units", "rpm=V"], "unit of the same kind"),
        (vec![ONE, "--step", "wram"], "did you mean 'warm'?"),
        (vec![ONE, "--from", "1e6"], "the session holds 0 to"),
        (vec![ONE, "--every", "soon"], "not a time"),
        (vec![ONE, "--long", "--every", "1s"], "cannot be used with"),
        (vec!["nothing"], "no session 'nothing'"),
        (vec![ONE, "--separator", ",", "--decimal", "comma"], "use ';' or tab"),
    ] {
        let ran = archive.run("export", &[&words[..], &["--output", name]].concat());
        assert_eq!(ran.code, 2, "{words:?}: {ran:?}");
        assert!(ran.err.contains(part), "{part} is missing in {}", ran.err);
    }
    let left: Vec<String> = std::fs::read_dir(archive.path())
        .unwrap()
        .map(|entry| entry.unwrap().file_name().into_string().unwrap())
        .filter(|name| name.contains("out"))
        .collect();
    assert!(left.is_empty(), "{left:?}");
}
