//! One mistake at a time in a good description: each must be told once, at its key, with its cure.

use model::{Place, ProblemKind};

use super::{BENCH_CAR, told};
use crate::{ControllerTimeout, load};

/// The bench car's description with one change.
fn changed(from: &str, to: &str) -> String {
    assert!(BENCH_CAR.contains(from), "nothing to change: {from}");
    BENCH_CAR.replacen(from, to, 1)
}

/// Text to change, what to change it to, the key to be named, a part of what is to be said.
type Case = (&'static str, &'static str, &'static str, &'static str);

fn check(cases: &[Case]) {
    for (from, to, key, said) in cases {
        let problems = load("car.toml", &changed(from, to)).expect_err(to);
        assert_eq!(problems.len(), 1, "{to}:\n{}", told(&problems));
        let problem = &problems[0];
        assert_eq!(problem.kind, ProblemKind::Description, "{problem}");
        assert!(
            matches!(&problem.place, Place::Key { key: at, line, .. } if at == key && *line > 0),
            "{problem}"
        );
        assert!(problem.to_string().contains(said), "{problem}");
    }
}

#[test]
fn structure() {
    check(&[
        ("schema = 1", "schema = 2", "schema", "give a whole number: 1"),
        ("title = \"Bench car\"", "titel = \"Bench car\"", "titel", "did you mean 'title'?"),
        ("title = \"Bench car\"", "", "title", "'title' is missing (add title: Name shown to people)"),
        ("title = \"Bench car\"", "title = 2026-11-25", "title", "a date or time"),
        ("baud = 10_400", "baud = \"fast\"", "link.baud", "give a whole number from 300 to 1000000"),
        ("wakeup = \"fast\"", "wakeup = \"awaken\"", "link.wakeup", "did you mean \"awake\"?"),
        (
            "controller_timeout_ms = 5000",
            "",
            "link.controller_timeout_ms",
            "the word \"none\" if it never does",
        ),
        (
            "controller_timeout_ms = 5000",
            "controller_timeout_ms = 0",
            "link.controller_timeout_ms",
            "or the word \"none\"",
        ),
        ("at = 3\n", "at = -3\n", "channel.coolant.at", "give a whole number from 0 to 252"),
        ("id = \"rpm\"", "id = \"Engine Speed\"", "channel.1.id", "a name of 1 to 64"),
        (
            "plausible = [0, 8000]",
            "plausible = [0, 1, 2]",
            "channel.rpm.plausible",
            "give a list of 2, each a number",
        ),
        ("noise = 7.0", "noise = inf", "channel.rpm.noise", "not a finite number"),
        ("longest_hold_s = 600\n", "", "output.idle_valve.longest_hold_s", "'longest_hold_s' is missing"),
        ("value_at = 0, ", "", "output.idle_valve.report.value_at", "'value_at' is missing"),
        (
            "what = \"the engine is warm above this\"",
            "what = \"warm\", why = 1",
            "setup.warm_coolant.why",
            "is not a known key",
        ),
    ]);
}

#[test]
fn link_and_timing() {
    let timing = |text: &'static str| ("echo = \"expected\"", text);
    let cases: Vec<Case> = [
        (
            timing("timing = { p2_min = 60 }"),
            "link.timing.p2_min",
            "p2_min is 60 ms and p2_max is 50 ms by default",
        ),
        (timing("timing = { p3_max = 50 }"), "link.timing.p3_max", "p3_min is 55 ms by default"),
        (timing("timing = { p4_min = 20 }"), "link.timing.p4_min", "P4max is 20 ms"),
        (timing("timing = { p3_min = 5 }"), "link.timing.p3_min", "wants p4_min below p3_min"),
        (timing("timing = { p1_max = 0 }"), "link.timing.p1_max", "p1_max is 0"),
        (
            timing("fast_timing = { p2_min = 0.3, p2_max = 25, p3_min = 1, p3_max = 5000, p4_min = 0 }"),
            "link.fast_timing.p2_min",
            "in steps of 0.5 ms",
        ),
        (
            timing("fast_timing = { p2_min = 0, p2_max = 40, p3_min = 1, p3_max = 5000, p4_min = 0 }"),
            "link.fast_timing.p2_max",
            "give a multiple of 25",
        ),
        (
            timing("fast_timing = { p2_min = 0, p2_max = 25, p3_min = 0, p3_max = 5000, p4_min = 0 }"),
            "link.fast_timing.p4_min",
            "wants p4_min below p3_min",
        ),
        (
            ("tester_address = 0xF1", "tester_address = 0x2A"),
            "link.tester_address",
            "the controller's own address",
        ),
    ]
    .map(|((from, to), key, said)| (from, to, key, said))
    .to_vec();
    check(&cases);
}

#[test]
fn requests() {
    check(&[
        (
            "bytes = \"21 A1\"",
            "bytes = \"21 A\"",
            "request.running_data.bytes",
            "'A' is not a pair of hex digits",
        ),
        ("bytes = \"21 A1\"", "bytes = \"21A1\"", "request.running_data.bytes", "with spaces between"),
        ("bytes = \"21 A1\"", "bytes = \"3B A1\"", "request.running_data.bytes", "use"),
        (
            "bytes = \"21 A1\"",
            "bytes = \"21 A1 00\"",
            "request.running_data.bytes",
            "takes 1 byte(s) of identifier",
        ),
        (
            "bytes = \"21 A1\"",
            "bytes = \"21 {value}\"",
            "request.running_data.bytes",
            "only the engage request",
        ),
        (
            "name = \"short_block\"\nbytes",
            "name = \"running_data\"\nbytes",
            "request.running_data.name",
            "given twice, first on line 26",
        ),
    ]);
}

#[test]
fn a_long_answer_needs_a_header_with_a_length_byte() {
    let long = changed("answer_bytes = 7", "answer_bytes = 62");
    assert!(load("car.toml", &long).is_ok());
    let problems =
        load("car.toml", &long.replace("header = \"auto\"", "header = \"addressed\"")).unwrap_err();
    assert_eq!(problems.len(), 1);
    assert!(problems[0].to_string().contains("has 64 bytes, and a message with this header carries 63"));
}

#[test]
fn channels() {
    check(&[
        (
            "request = \"running_data\"",
            "request = \"runing_data\"",
            "channel.rpm.request",
            "did you mean 'running_data'?",
        ),
        (
            "at = 3\n",
            "at = 7\n",
            "channel.coolant.at",
            "reach past the 7 data byte(s) of request 'running_data'",
        ),
        ("at = 0\nbytes = 2", "at = 0\nbytes = 2\nbit = 1", "channel.rpm.bit", "both bit and bytes"),
        ("at = 0\nbytes = 2", "at = 0", "channel.rpm.bytes", "neither bytes nor bit"),
        (
            "bit = 0",
            "bit = 0\nsaturates = true",
            "channel.idle_valve_held.saturates",
            "means nothing for a bit",
        ),
        (
            "bit = 0",
            "bit = 0\nrounding = \"down\"",
            "channel.idle_valve_held.rounding",
            "means nothing for a bit",
        ),
        ("factor = 0.5", "factor = 0", "channel.rpm.factor", "the factor is 0"),
        ("unit = \"Cel\"", "unit = \"degC\"", "channel.coolant.unit", "'degC' is not a known UCUM unit"),
        ("noise = 7.0", "noise = -2.0", "channel.rpm.noise", "no spread can be negative"),
        ("shared = 1.5", "shared = -1.5", "channel.coolant.shared", "no spread can be negative"),
        (
            "plausible = [0, 8000]",
            "plausible = [8000, 0]",
            "channel.rpm.plausible",
            "write the lower edge first",
        ),
        (
            "plausible = [-39, 140]",
            "plausible = [200, 300]",
            "channel.coolant.plausible",
            "reads from -40 to 164",
        ),
        (
            "at = 3\n",
            "at = 3\nnot_available = [256]\n",
            "channel.coolant.not_available",
            "counts run from 0 to 255",
        ),
        ("id = \"rpm_quick\"", "id = \"coolant\"", "channel.coolant.id", "given twice"),
    ]);
}

#[test]
fn outputs() {
    check(&[
        ("30 51 07 {value}", "30 51 07", "output.idle_valve.engage", "has no {value}"),
        ("30 51 07 {value}", "30 51 07 {value} {value}", "output.idle_valve.engage", "{value} stands twice"),
        ("30 51 07 {value}", "30 51 {value} 07", "output.idle_valve.engage", "not all there"),
        (
            "30 51 07 {value}",
            "30 51 03 {value}",
            "output.idle_valve.engage",
            "ISO 14230-3 has 07 for shortTermAdjustment",
        ),
        ("30 51 07 {value}", "30 51 08 {value}", "output.idle_valve.engage", "outlives every session"),
        ("30 51 07 {value}", "3B 51 07 {value}", "output.idle_valve.engage", "does not control an output"),
        (
            "release = \"30 51 00\"",
            "release = \"30 51 04\"",
            "output.idle_valve.release",
            "has 00 for returnControlToECU",
        ),
        (
            "release = \"30 51 00\"",
            "release = \"30 52 00\"",
            "output.idle_valve.release",
            "speaks of 30 52, the engage request of 30 51",
        ),
        (
            "bytes = \"30 51 01\"",
            "bytes = \"30 51 03\"",
            "output.idle_valve.report.bytes",
            "01 for reportCurrentState",
        ),
        ("range = [0, 120]", "range = [0, 300]", "output.idle_valve.range", "1 byte(s) carry 0 to 255"),
        ("range = [0, 120]", "range = [120, 0]", "output.idle_valve.range", "write the lower edge first"),
        ("range = [0, 120]", "range = [0.5, 120]", "output.idle_valve.range", "not a whole count"),
        (
            "longest_hold_s = 600",
            "longest_hold_s = 0",
            "output.idle_valve.longest_hold_s",
            "could never be held",
        ),
        ("refresh_ms = 2000", "refresh_ms = 5000", "output.idle_valve.refresh_ms", "lets go after 5000 ms"),
        (
            "refresh_ms = 2000\nreading_while_held = true",
            "reading_while_held = false",
            "output.idle_valve.longest_hold_s",
            "neither refreshed nor read meanwhile",
        ),
        (
            "channel = \"idle_valve_held\"",
            "channel = \"idle_valve_hold\"",
            "output.idle_valve.confirm.channel",
            "did you mean 'idle_valve_held'?",
        ),
        (
            "held = 1, released = 0",
            "held = 1, released = 1",
            "output.idle_valve.confirm.released",
            "both while held",
        ),
        (
            "held = 1, released = 0",
            "held = 2, released = 0",
            "output.idle_valve.confirm.held",
            "never reads 2",
        ),
        (
            "confirm = { channel = \"idle_valve_held\", held = 1, released = 0 }\nsession = 0xC3",
            "session = 0x81",
            "output.idle_valve.session",
            "starts session 0xC3",
        ),
        ("session = 0xC3  ", "# ", "output.idle_valve.session", "starts no session"),
    ]);
}

#[test]
fn setup_values() {
    check(&[
        ("warm_coolant =", "\"Warm coolant\" =", "setup.\"Warm coolant\"", "is not a usable name"),
        (
            "value = 75, unit = \"Cel\"",
            "value = 75, unit = \"V\"",
            "setup.warm_coolant.unit",
            "they measure different things",
        ),
        (
            "value = 75, unit = \"Cel\"",
            "value = 75, unit = \"hot\"",
            "setup.warm_coolant.unit",
            "'hot' is not a unit",
        ),
        ("value = 75,", "low = 75,", "setup.warm_coolant", "give value alone, or low and high together"),
        (
            "low = 750, high = 950",
            "low = 950, high = 750",
            "setup.idle_speed.low",
            "write the lower edge first",
        ),
        (
            "channel = \"throttle\", what",
            "channel = \"throtle\", what",
            "setup.closed_throttle.channel",
            "did you mean 'throttle'?",
        ),
        (
            "output = \"idle_valve\"",
            "output = \"ignition\"",
            "setup.base_idle_step.output",
            "there is no output 'ignition'",
        ),
        (
            "value = 20, unit = \"{step}\"",
            "value = 130, unit = \"{step}\"",
            "setup.base_idle_step.value",
            "outside the range",
        ),
    ]);
}

#[test]
fn a_controller_without_a_timeout_is_allowed_and_said_loudly() {
    let text = changed("controller_timeout_ms = 5000", "controller_timeout_ms = \"none\"");
    let description = load("car.toml", &text).unwrap_or_else(|problems| panic!("{}", told(&problems)));
    assert_eq!(description.link.controller_timeout, ControllerTimeout::Never);
    let [warning] = description.warnings.as_slice() else { panic!("{}", told(&description.warnings)) };
    let said = warning.to_string();
    assert!(said.contains("key off") && said.contains("NEVER"), "{said}");
    assert!(said.starts_with("car.toml:18: link.controller_timeout_ms:"), "{said}");
}

#[test]
fn a_request_nobody_reads_and_one_asked_twice_are_warnings() {
    let text = changed(
        "[[channel]]",
        "[[request]]\nname = \"again\"\nbytes = \"21 a1\"\nanswer_bytes = 7\n\n[[channel]]",
    );
    let warnings = told(&load("car.toml", &text).unwrap().warnings);
    assert!(warnings.contains("request.again.bytes: the same bytes as the request on line 27"), "{warnings}");
    assert!(warnings.contains("request.again: no channel reads request 'again'"), "{warnings}");
}

#[test]
fn one_broken_name_does_not_make_others_unknown() {
    let text = changed("name = \"running_data\"", "name = \"Running Data\"");
    let problems = load("car.toml", &text).unwrap_err();
    assert_eq!(problems.len(), 1, "{}", told(&problems));
}

/// Every key of the file in turn, as line number and text before and after the equals sign.
fn keys() -> impl Iterator<Item = (usize, &'static str, &'static str)> {
    let lines = BENCH_CAR.lines().enumerate().filter(|(_, line)| !line.starts_with('#'));
    lines.filter_map(|(i, line)| line.split_once(" = ").map(|(key, value)| (i, key, value)))
}

fn with_line(at: usize, line: &str) -> String {
    BENCH_CAR
        .lines()
        .enumerate()
        .map(|(i, old)| if i == at { line } else { old })
        .collect::<Vec<_>>()
        .join("\n")
}

fn told_once_on(line: usize, text: &str) {
    let problems = load("car.toml", text).expect_err("the line is wrong");
    assert_eq!(problems.len(), 1, "line {}:\n{}", line + 1, told(&problems));
    assert!(problems[0].to_string().starts_with(&format!("car.toml:{}: ", line + 1)), "{}", problems[0]);
}

#[test]
fn a_key_without_a_usable_value_is_told_once_and_blamed_for_nothing_else() {
    assert!(keys().count() > 100);
    for (i, key, _) in keys() {
        told_once_on(i, &with_line(i, &format!("{key} = 1979-05-27")));
    }
}

#[test]
fn a_misspelt_key_is_told_once_and_its_absence_is_not() {
    let setup = BENCH_CAR.lines().position(|line| line == "[setup]").unwrap();
    for (i, key, value) in keys().filter(|(i, ..)| *i < setup) {
        told_once_on(i, &with_line(i, &format!("{key}x = {value}")));
    }
}
