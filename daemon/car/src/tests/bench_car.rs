//! The description of the bench car against bytes worked by hand from the bench car's own facts.

use std::path::Path;

use model::{ChannelId, OutputId, Quality, Quantity, Span, Unit};
use serde_json::Value;
use signal::ChannelFacts;

use super::{BENCH_CAR, bench_car};
use crate::{ControllerTimeout, DecodeError, OutputError, Reading, SetupAmount, json_schema, load};

/// rpm 0x06A4 = 1700 counts of 0.5; throttle 0x1A = 26 of 5/255 V; coolant 0x9B = 155 of 0.8 - 40 Cel; battery
/// 0xA1 = 161 of 20/255 V; valve 20 steps; status 0b110: engine running, idle control active, valve not held.
const RUNNING_DATA: &[u8] = &[0x61, 0xA1, 0x06, 0xA4, 0x1A, 0x9B, 0xA1, 0x14, 0x06];

fn read(text: &str, id: &str, answer: &[u8]) -> Reading {
    let description = load("car.toml", text).unwrap();
    let channel = description.channel(&ChannelId::new(id).unwrap()).unwrap();
    let request = description.request_of(channel).unwrap();
    channel.decode(request.data(answer).unwrap()).unwrap()
}

fn steps(value: f64) -> Quantity {
    Quantity::new(value, Unit::new("{step}").unwrap())
}

#[test]
fn reads_bytes_worked_by_hand() {
    for (id, raw, value) in [
        ("rpm", 1700, 850.0),
        ("throttle", 26, 26.0 * 5.0 / 255.0),
        ("coolant", 155, 84.0),
        ("battery", 161, 161.0 * 20.0 / 255.0),
        ("idle_valve", 20, 20.0),
        ("idle_valve_held", 0, 0.0),
        ("idle_control", 1, 1.0),
        ("running", 1, 1.0),
    ] {
        let reading = read(BENCH_CAR, id, RUNNING_DATA);
        assert_eq!((reading.raw, reading.quality), (raw, Quality::Good), "{id}");
        assert!((reading.value - value).abs() < 1e-9, "{id}: {}", reading.value);
    }
    assert_eq!(read(BENCH_CAR, "rpm_quick", &[0x61, 0xA2, 0x06, 0xA4, 0x04]).value, 850.0);
    assert_eq!(read(BENCH_CAR, "battery_alone", &[0x62, 0x41, 0x07, 0xA1]).raw, 161);
}

#[test]
fn a_converter_that_rounds_down_is_read_at_the_middle_of_its_count() {
    // JCGM 100:2008, F.2.2.1: the value lies anywhere in the count's interval, so the middle is its estimate.
    let nearest = read(BENCH_CAR, "throttle", RUNNING_DATA);
    let count = 5.0 / 255.0;
    assert!((nearest.uncertainty.resolution - count).abs() < 1e-12);
    for (rounding, middle) in [("down", 26.5), ("up", 25.5), ("nearest", 26.0)] {
        let text = BENCH_CAR
            .replace("id = \"throttle\"\n", &format!("id = \"throttle\"\nrounding = \"{rounding}\"\n"));
        let reading = read(&text, "throttle", RUNNING_DATA);
        assert!((reading.value - middle * count).abs() < 1e-9, "{rounding}: {}", reading.value);
        assert_eq!(reading.raw, 26);
        assert_eq!(reading.uncertainty, nearest.uncertainty);
    }
}

#[test]
fn a_flag_has_no_resolution_and_a_number_has_one_count() {
    assert_eq!(read(BENCH_CAR, "running", RUNNING_DATA).uncertainty.resolution, 0.0);
    assert_eq!(read(BENCH_CAR, "rpm", RUNNING_DATA).uncertainty.resolution, 0.5);
    assert_eq!(read(BENCH_CAR, "idle_valve", RUNNING_DATA).uncertainty.resolution, 1.0);
}

#[test]
fn says_when_a_reading_cannot_be_used() {
    let with = |at: usize, byte: u8| {
        let mut answer = RUNNING_DATA.to_vec();
        answer[at] = byte;
        answer
    };
    assert_eq!(read(BENCH_CAR, "coolant", &with(5, 0x00)).quality, Quality::Saturated);
    assert_eq!(read(BENCH_CAR, "coolant", &with(5, 0xFF)).quality, Quality::Saturated);
    assert_eq!(read(BENCH_CAR, "coolant", &with(5, 0xFE)).quality, Quality::Implausible);
    assert_eq!(read(BENCH_CAR, "idle_valve", &with(7, 121)).quality, Quality::Implausible);
    let text = BENCH_CAR.replace("id = \"coolant\"\n", "id = \"coolant\"\nnot_available = [0xFF, 0xFE]\n");
    assert_eq!(read(&text, "coolant", &with(5, 0xFF)).quality, Quality::Invalid);
}

#[test]
fn refuses_an_answer_of_another_shape() {
    let description = bench_car();
    let request = &description.requests[0];
    assert_eq!(request.bytes, [0x21, 0xA1]);
    assert_eq!(request.prefix, [0x61, 0xA1]);
    assert_eq!(request.data(&RUNNING_DATA[..8]), Err(DecodeError::Length { expected: 7, got: 6 }));
    let other = request.data(&[0x61, 0xA2, 0, 0, 0]).unwrap_err();
    assert_eq!(other, DecodeError::Prefix { expected: vec![0x61, 0xA1], got: vec![0x61, 0xA2] });
    assert_eq!(other.to_string(), "the answer begins with 61 A2 where 61 A1 was expected");
    let valve = description.channel(&ChannelId::new("idle_valve").unwrap()).unwrap();
    assert_eq!(valve.decode(&[1, 2]), Err(DecodeError::TooShort { needed: 6, got: 2 }));
}

#[test]
fn takes_the_idle_valve_over_and_gives_it_back() {
    let description = bench_car();
    let valve = description.output(&OutputId::new("idle_valve").unwrap()).unwrap();
    assert_eq!(valve.engage_bytes(&steps(20.0)).unwrap(), [0x30, 0x51, 0x07, 20]);
    assert_eq!(valve.engage_bytes(&steps(0.0)).unwrap(), [0x30, 0x51, 0x07, 0]);
    assert_eq!(valve.engage_bytes(&steps(120.0)).unwrap(), [0x30, 0x51, 0x07, 120]);
    assert_eq!(valve.engage_prefix(), [0x70, 0x51, 0x07]);
    assert_eq!(valve.release_bytes(), [0x30, 0x51, 0x00]);
    assert_eq!(valve.release_prefix(), [0x70, 0x51, 0x00]);
    let report = valve.report.as_ref().unwrap();
    let state = valve.read_report(report, &[0x70, 0x51, 0x01, 20, 1]).unwrap();
    assert_eq!((state.value, state.held), (steps(20.0), true));
    assert!(!valve.read_report(report, &[0x70, 0x51, 0x01, 20, 0]).unwrap().held);
    assert!(valve.read_report(report, &[0x70, 0x51, 0x01, 20]).is_err());
}

#[test]
fn refuses_a_value_that_the_valve_cannot_take_with_the_reason() {
    let description = bench_car();
    let valve = description.output(&OutputId::new("idle_valve").unwrap()).unwrap();
    let out = valve.engage_bytes(&steps(121.0)).unwrap_err();
    assert_eq!(out.to_string(), "121 steps is outside the range of idle_valve, 0 steps to 120 steps");
    let between = valve.engage_bytes(&steps(20.5)).unwrap_err();
    assert!(matches!(&between, OutputError::BetweenSteps { below, above, .. }
        if (below.value, above.value) == (20.0, 21.0)));
    let unit = valve.engage_bytes(&Quantity::new(20.0, Unit::new("V").unwrap())).unwrap_err();
    assert!(matches!(unit, OutputError::Unit { .. }), "{unit}");
    for nonsense in [f64::NAN, f64::INFINITY, -1.0] {
        let error = valve.engage_bytes(&steps(nonsense)).unwrap_err();
        assert!(matches!(error, OutputError::OutOfRange { .. }), "{error}");
    }
}

#[test]
fn says_what_everything_else_needs_without_a_warning() {
    let description = bench_car();
    assert_eq!(super::told(&description.warnings), "");
    assert_eq!(description.link.controller_timeout, ControllerTimeout::After(Span::from_secs(5)));
    assert_eq!(description.link.longest_silence(), Span::from_secs(5));
    let iso = description.link.iso14230().unwrap();
    assert_eq!((iso.controller_address, iso.tester_address), (0x2A, 0xF1));
    assert!(description.channels.is_sorted_by(|a, b| a.id < b.id));
    for (place, channel) in description.channels.iter().enumerate() {
        assert!(description.request_of(channel).unwrap().channels.contains(&place), "{}", channel.id);
    }
    let warm = &description.setup["warm_coolant"];
    assert_eq!(warm.amount, SetupAmount::Level(Quantity::new(75.0, Unit::new("Cel").unwrap())));
    assert_eq!(description.nearest_channel("cooolant").unwrap().as_str(), "coolant");
    assert_eq!(description.nearest_output("idel_valve").unwrap().as_str(), "idle_valve");
    assert_eq!(description.nearest_setup("warm-coolant"), Some("warm_coolant"));
    assert_eq!(description.nearest_channel("gearbox"), None);
}

#[test]
fn the_judge_of_gates_learns_what_every_reading_says() {
    let description = bench_car();
    for channel in &description.channels {
        let fact = description.fact(&channel.id).unwrap();
        assert_eq!((fact.uncertainty(), &fact.unit), (channel.uncertainty(), &channel.unit));
    }
    let slip = ChannelId::new("coolent").unwrap();
    assert_eq!(description.fact(&slip), None);
    assert_eq!(description.nearest(&slip).unwrap().as_str(), "coolant");
}

#[test]
fn the_committed_schema_accepts_it() {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("../../schemas/car-description.schema.json");
    let schema: Value = serde_json::from_str(&std::fs::read_to_string(path).unwrap()).unwrap();
    let car: Value = toml::from_str(BENCH_CAR).unwrap();
    let errors: Vec<String> =
        jsonschema::validator_for(&schema).unwrap().iter_errors(&car).map(|e| e.to_string()).collect();
    assert_eq!(errors, [""; 0]);
    assert_eq!(schema, json_schema());
}
