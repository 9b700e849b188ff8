//! What must hold for every text, every answer and every scaling.

use model::{OutputId, ProblemKind, Quantity};
use proptest::prelude::*;

use super::{BENCH_CAR, bench_car, told};
use crate::{Description, OutputError, load};

/// Loads a text and checks what every problem must have: a place, what was seen, a cure, and not our fault.
fn load_any(text: &str) -> Result<(), TestCaseError> {
    if let Err(problems) = load("any.toml", text) {
        prop_assert!(!problems.is_empty());
        for problem in problems {
            prop_assert_eq!(problem.kind, ProblemKind::Description, "{}", problem);
            prop_assert!(!problem.seen.is_empty() && !problem.cure.is_empty(), "{}", problem);
        }
    }
    Ok(())
}

/// Values that a hurried hand may leave behind a key.
const VALUES: &[&str] = &[
    "nan",
    "-inf",
    "1e308",
    "-1e308",
    "1e-320",
    "-1",
    "0",
    "1",
    "255",
    "0x7fffffffffffffff",
    "1.5",
    "\"x\"",
    "\"\"",
    "\"rpm\"",
    "\"30 51 07 {value}\"",
    "true",
    "[]",
    "[[1]]",
    "[1, 2]",
    "[2, 1]",
    "{}",
    "{ a = 1 }",
    "1979-05-27",
    "\"none\"",
    "\"\\u0000\"",
    "[nan]",
];

/// What becomes of one line of a good description.
fn spoil(line: &str, how: usize, value: &str) -> String {
    let (key, _) = line.split_once('=').unwrap_or((line, ""));
    match how {
        0 => String::new(),
        1 => format!("{line}\n{line}"),
        2 => format!("{}x = {value}", key.trim()),
        3 => line.replace(']', ""),
        _ => format!("{key} = {value}"),
    }
}

/// A description with one channel and one output of the same scaling.
fn scaled(factor: f64, offset: f64, bytes: usize, signed: bool) -> Result<Description, TestCaseError> {
    let (low, high) = limits(bytes, signed);
    let ends = [low, high].map(|count| count as f64 * factor + offset);
    let (low, high) = (ends[0].min(ends[1]), ends[0].max(ends[1]));
    let text = format!(
        "schema = 1\nname = \"a\"\ntitle = \"A\"\n[link]\ndialect = \"iso14230\"\nwakeup = \"awake\"\nbaud = 10400\n\
         controller_address = 1\ntester_address = 2\ncontroller_timeout_ms = 5000\n\
         [[request]]\nname = \"r\"\nbytes = \"21 01\"\nanswer_bytes = {bytes}\n\
         [[channel]]\nid = \"c\"\ntitle = \"C\"\nrequest = \"r\"\nat = 0\nbytes = {bytes}\nsigned = {signed}\n\
         factor = {factor:?}\noffset = {offset:?}\nunit = \"V\"\n\
         [[output]]\nid = \"o\"\ntitle = \"O\"\nunit = \"V\"\nbytes = {bytes}\nsigned = {signed}\nfactor = {factor:?}\n\
         offset = {offset:?}\nrange = [{low:?}, {high:?}]\nengage = \"2F 01 02 07 {{value}} 99\"\n\
         release = \"2F 01 02 00\"\nlongest_hold_s = 1\nreading_while_held = true\n"
    );
    load("scaled.toml", &text).map_err(|problems| TestCaseError::fail(told(&problems)))
}

fn limits(bytes: usize, signed: bool) -> (i64, i64) {
    let span = 1_i64 << (8 * bytes);
    if signed { (-span / 2, span / 2 - 1) } else { (0, span - 1) }
}

proptest! {
    #[test]
    fn no_text_panics(text in "\\PC{0,200}") {
        load_any(&text)?;
    }

    #[test]
    fn no_toml_like_text_panics(words in prop::collection::vec(
        prop::sample::select(vec![
            "[[channel]]", "[link]", "[[request]]", "[[output]]", "[setup]", "\n", "\n", "\n", "id", "name", "=", "=", "\"rpm\"",
            "\"21 A1\"", "{", "}", "[", "]", ",", "1", "-1.5", "bytes", "at", "setup.a.b", "link.timing", "true", "#",
        ]), 0..60)) {
        load_any(&words.join(" "))?;
    }

    #[test]
    fn no_spoilt_description_panics(
        spoilt in prop::collection::vec((0..400_usize, 0..8_usize, prop::sample::select(VALUES)), 1..6),
    ) {
        let mut lines: Vec<String> = BENCH_CAR.lines().map(str::to_string).collect();
        for (line, how, value) in spoilt {
            let line = line % lines.len();
            lines[line] = spoil(&lines[line], how, value);
        }
        load_any(&lines.join("\n"))?;
    }

    #[test]
    fn no_answer_panics(answer in prop::collection::vec(any::<u8>(), 0..16)) {
        let description = bench_car();
        for channel in &description.channels {
            if let Ok(reading) = channel.decode(&answer) {
                let (low, high) = channel.reach();
                prop_assert!(reading.value >= low && reading.value <= high);
                prop_assert!(reading.uncertainty.standard().is_finite());
            }
        }
        for request in &description.requests {
            if let Ok(data) = request.data(&answer) {
                prop_assert_eq!(data.len(), request.answer_bytes);
            }
        }
        for output in &description.outputs {
            if let Some(report) = &output.report {
                let _ = output.read_report(report, &answer);
            }
        }
    }

    #[test]
    fn what_is_engaged_is_what_is_read(
        factor in prop_oneof![0.001..100.0_f64, -100.0..-0.001_f64],
        offset in -1000.0..1000.0_f64,
        bytes in 1..=4_usize,
        signed in any::<bool>(),
        part in 0.0..=1.0_f64,
    ) {
        let description = scaled(factor, offset, bytes, signed)?;
        let output = description.output(&OutputId::new("o").unwrap()).unwrap();
        let channel = &description.channels[0];
        let (low, high) = limits(bytes, signed);
        let count = low + ((high - low) as f64 * part) as i64;
        let value = output.value_of(count);

        let sent = output.engage_bytes(&value).unwrap();
        prop_assert_eq!(&sent[..4], [0x2F, 0x01, 0x02, 0x07]);
        prop_assert_eq!(sent.last(), Some(&0x99));
        let reading = channel.decode(&sent[4..4 + bytes]).unwrap();
        prop_assert_eq!(reading.raw, count);
        prop_assert_eq!(reading.value, value.value);

        let beyond = Quantity::new((high + 1) as f64 * factor + offset, value.unit.clone());
        let refused = output.engage_bytes(&beyond);
        prop_assert!(matches!(refused, Err(OutputError::OutOfRange { .. })), "{:?}", refused);
        if count < high {
            let between = Quantity::new((count as f64 + 0.5) * factor + offset, value.unit);
            let refused = output.engage_bytes(&between);
            prop_assert!(matches!(refused, Err(OutputError::BetweenSteps { .. })), "{:?}", refused);
        }
    }
}
