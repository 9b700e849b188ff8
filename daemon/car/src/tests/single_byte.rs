//! The dialect without frames: what it needs, what it does not take, and how each is told.

use model::{ChannelId, OutputId, Place, Quantity, Span, Unit};

use super::told;
use crate::{Dialect, Protocol, load};

const CAR: &str = include_str!("../../../../schemas/cars/bench-car-single.toml");

fn changed(from: &str, to: &str) -> String {
    assert!(CAR.contains(from), "{from}");
    CAR.replacen(from, to, 1)
}

/// A change and what is told of it: one problem at this key, with these words.
fn check(cases: &[(&str, &str, &str, &str)]) {
    for (from, to, key, said) in cases {
        let problems = load("car.toml", &changed(from, to)).expect_err(to);
        assert_eq!(problems.len(), 1, "{to}:\n{}", told(&problems));
        assert!(matches!(&problems[0].place, Place::Key { key: at, .. } if at == key), "{}", problems[0]);
        assert!(problems[0].to_string().contains(said), "{}", problems[0]);
    }
}

#[test]
fn the_shipped_description_says_what_is_needed_without_a_warning() {
    let car = load("car.toml", CAR).unwrap_or_else(|problems| panic!("{}", told(&problems)));
    assert_eq!(told(&car.warnings), "");
    assert_eq!((car.link.dialect(), car.link.baud), (Dialect::SingleByte, 12_500));
    assert_eq!(car.link.iso14230(), None);
    let Protocol::SingleByte(single) = &car.link.protocol else { panic!("another protocol") };
    assert_eq!(car.requests[single.keep_alive].bytes, [0x70]);
    assert_eq!((single.answer, single.resync), (Span::from_millis(10), Span::from_millis(50)));
    assert_eq!((single.byte_gap, single.request_gap), (Span::ZERO, Span::ZERO));
    assert_eq!(car.link.longest_silence(), Span::from_secs(2));
    let valve = car.output(&OutputId::new("idle_valve").unwrap()).unwrap();
    let steps = Quantity::new(40.0, Unit::new("{step}").unwrap());
    assert_eq!(valve.engage_bytes(&steps).unwrap(), [0xB4, 40]);
    assert_eq!((&valve.engage_answer().begins[..], valve.engage_answer().length), (&[0x4B][..], Some(2)));
    assert_eq!((valve.release_bytes(), valve.release_answer().length), (&[0xB8][..], Some(1)));
}

#[test]
fn an_answer_is_data_from_its_first_byte() {
    // Worked by hand: 06 A4 is 1700 counts of half a revolution.
    let car = load("car.toml", CAR).unwrap();
    let rpm = car.channel(&ChannelId::new("rpm").unwrap()).unwrap();
    let data = car.request_of(rpm).unwrap().data(&[0x06, 0xA4, 26, 155, 161, 20, 6]).unwrap();
    assert_eq!(rpm.decode(data).unwrap().value, 850.0);
    assert!(car.request_of(rpm).unwrap().data(&[0x06, 0xA4]).is_err());
}

#[test]
fn what_belongs_to_the_other_dialect_is_told() {
    let link = |text: &'static str| ("echo = \"expected\"", text);
    let other = "belongs to dialect \"iso14230\"";
    let cases = [
        (link("controller_address = 0x2A"), "link.controller_address"),
        (link("tester_address = 0xF1"), "link.tester_address"),
        (link("addressing = \"physical\""), "link.addressing"),
        (link("header = \"auto\""), "link.header"),
        (link("session = 0xC3"), "link.session"),
        (link("timing = { p2_min = 10 }"), "link.timing"),
        (
            link("fast_timing = { p2_min = 0, p2_max = 25, p3_min = 1, p3_max = 5000, p4_min = 0 }"),
            "link.fast_timing",
        ),
        (("wakeup = \"awake\"", "wakeup = \"fast\""), "link.wakeup"),
        (
            ("refresh_ms = 800", "report = { bytes = \"30 51 01\", value_at = 0, held_at = 1 }"),
            "output.idle_valve.report",
        ),
        (("refresh_ms = 800", "session = 0xC3"), "output.idle_valve.session"),
    ]
    .map(|((from, to), key)| (from, to, key, other));
    check(&cases);
    let iso = super::BENCH_CAR;
    for (from, to, key) in [
        (
            "echo = \"expected\"",
            "single_byte = { answer_ms = 1, resync_ms = 1, keep_alive = \"short_block\" }",
            "link.single_byte",
        ),
        ("refresh_ms = 2000", "engage_answer = { bytes = 1 }", "output.idle_valve.engage_answer"),
    ] {
        let problems = load("car.toml", &iso.replacen(from, to, 1)).expect_err(to);
        assert_eq!(problems.len(), 1, "{}", told(&problems));
        let said = problems[0].to_string();
        assert!(said.contains(key) && said.contains("belongs to dialect \"single-byte\""), "{said}");
    }
}

#[test]
fn what_either_dialect_cannot_do_without_is_told_when_it_is_missing() {
    check(&[
        (
            "engage_answer = { bytes = 2, begins = \"4B\" }\n",
            "",
            "output.idle_valve.engage_answer",
            "needs it",
        ),
        (
            "release_answer = { bytes = 1, begins = \"8B\" }\n",
            "",
            "output.idle_valve.release_answer",
            "needs it",
        ),
        ("answer_ms = 10 ", "# ", "link.single_byte.answer_ms", "'answer_ms' is missing"),
        ("keep_alive = \"alive\"", "", "link.single_byte.keep_alive", "'keep_alive' is missing"),
    ]);
    let table = CAR.find("[link.single_byte]").unwrap();
    let end = CAR.find("# -----").unwrap();
    let problems = load("car.toml", &format!("{}{}", &CAR[..table], &CAR[end..])).unwrap_err();
    assert_eq!(problems.len(), 1, "{}", told(&problems));
    assert!(problems[0].to_string().contains("'single_byte' is missing"), "{}", problems[0]);
    for key in ["controller_address", "tester_address"] {
        let text =
            super::BENCH_CAR.lines().filter(|line| !line.starts_with(key)).collect::<Vec<_>>().join("\n");
        let problems = load("car.toml", &text).unwrap_err();
        assert_eq!(problems.len(), 1, "{}", told(&problems));
        assert!(problems[0].to_string().contains(&format!("'{key}' is missing")), "{}", problems[0]);
    }
}

#[test]
fn times_and_names_that_cannot_work_are_told() {
    check(&[
        ("answer_ms = 10", "answer_ms = 0", "link.single_byte.answer_ms", "answer_ms is 0"),
        ("resync_ms = 50", "resync_ms = 0", "link.single_byte.resync_ms", "resync_ms is 0"),
        (
            "resync_ms = 50",
            "byte_gap_ms = 60\nresync_ms = 50",
            "link.single_byte.byte_gap_ms",
            "forgets half a request",
        ),
        (
            "keep_alive = \"alive\"",
            "keep_alive = \"alife\"",
            "link.single_byte.keep_alive",
            "did you mean 'alive'?",
        ),
    ]);
    // The refresh comes too late for such a controller as well, and is told beside it.
    let text = changed("controller_timeout_ms = 2000", "controller_timeout_ms = 40");
    let said = told(&load("car.toml", &text).unwrap_err());
    assert!(said.contains("link.controller_timeout_ms: the controller lets go after 40 ms"), "{said}");
}

#[test]
fn sequences_that_cannot_be_told_apart_or_known_to_be_back_are_told() {
    check(&[
        ("engage = \"B4 {value}\"", "engage = \"B4\"", "output.idle_valve.engage", "has no {value}"),
        (
            "engage = \"B4 {value}\"",
            "engage = \"{value} B4\"",
            "output.idle_valve.engage",
            "begins with {value}",
        ),
        ("release = \"B8\"", "release = \"{value}\"", "output.idle_valve.release", "no value is sent"),
        (
            "release = \"B8\"",
            "release = \"51\"",
            "output.idle_valve.release",
            "begins as request 'running_data' does",
        ),
        (
            "engage = \"B4 {value}\"",
            "engage = \"61 {value}\"",
            "output.idle_valve.engage",
            "cannot tell a reading",
        ),
        (
            "bytes = 2, begins = \"4B\"",
            "bytes = 0, begins = \"4B\"",
            "output.idle_valve.engage_answer.begins",
            "and has 0",
        ),
        (
            "bytes = 1, begins = \"8B\"",
            "bytes = 1, begins = \"8G\"",
            "output.idle_valve.release_answer.begins",
            "hex digits",
        ),
    ]);
    let confirm = "confirm = { channel = \"idle_valve_held\", held = 1, released = 0 }\n";
    let unanswered =
        changed("release_answer = { bytes = 1, begins = \"8B\" }", "release_answer = { bytes = 0 }");
    assert_eq!(told(&load("car.toml", &unanswered).unwrap().warnings), "");
    let unseen = unanswered.replacen(confirm, "", 1);
    let warnings = told(&load("car.toml", &unseen).unwrap().warnings);
    assert!(warnings.contains("every release is followed by silence"), "{warnings}");
    let never = unseen.replacen("controller_timeout_ms = 2000", "controller_timeout_ms = \"none\"", 1);
    let problems = told(&load("car.toml", &never).unwrap_err());
    assert!(problems.contains("nothing would ever say that the output is back"), "{problems}");
    let alike = changed("bytes = 1, begins = \"8B\"", "bytes = 1");
    assert_eq!(told(&load("car.toml", &alike).unwrap().warnings), "", "the effect is seen");
    let warnings = told(&load("car.toml", &alike.replacen(confirm, "", 1)).unwrap().warnings);
    assert!(warnings.contains("cannot be told apart"), "{warnings}");
}

#[test]
fn a_broken_dialect_is_told_once() {
    for dialect in ["\"single-bytes\"", "7"] {
        let problems = load("car.toml", &changed("\"single-byte\"", dialect)).unwrap_err();
        assert_eq!(problems.len(), 1, "{}", told(&problems));
    }
}
