//! The shipped rules of the base idle, on a notebook for each cause.
//!
//! The values are estimates of what such a car would show, by common practice, with no published source.

use std::collections::BTreeSet;

use model::Grade;
use model::cause::Cause;

use super::*;
use crate::findings::judge;

const FILE: &str = include_str!("../../../../../scripts/findings/base_idle.toml");
const RPM: &str = "{rev}/min";

/// What a base-idle procedure can write down.
const NOTES: &[&str] = &[
    "battery_off",
    "battery_running",
    "throttle_closed",
    "throttle_scatter",
    "throttle_open",
    "throttle_return_change",
    "throttle_pushed_change",
    "sweep_dips",
    "coolant_warm",
    "warm",
    "coolant_jumps",
    "idle_found",
    "valve_found",
    "trim_found",
    "idle_held",
    "screw_moved",
    "screw_at_end",
    "pinch_hoses_change",
    "pinch_cold_air_change",
    "valve_up_change",
    "valve_return_change",
    "idle_after",
    "valve_after",
    "trim_after",
    "idle_swing",
    "closed_recognised",
    "codes",
];

fn shipped() -> Rules {
    Rules::load("base_idle.toml", FILE).unwrap_or_else(|problems| panic!("{}", lines(&problems)))
}

/// Set-up values of an invented car.
fn car() -> SetUp {
    let window =
        |low, high, unit: &str| SetupLevel::Window { low: quantity(low, unit), high: quantity(high, unit) };
    [
        ("idle_speed", window(780.0, 920.0, RPM)),
        ("base_idle_speed", window(680.0, 760.0, RPM)),
        ("closed_throttle", window(0.45, 0.55, "V")),
        ("open_throttle", window(4.0, 4.6, "V")),
        ("engine_off_battery", window(12.0, 13.0, "V")),
        ("charging_battery", window(13.4, 14.8, "V")),
        ("warm_coolant", SetupLevel::Level(quantity(78.0, "Cel"))),
        ("idle_valve_room", window(10.0, 55.0, "{step}")),
    ]
    .map(|(name, level)| (name.to_string(), level))
    .into()
}

fn healthy() -> Notes {
    notes([
        ("battery_off", about(12.5, 0.2, "V")),
        ("battery_running", about(14.1, 0.2, "V")),
        ("throttle_closed", about(0.50, 0.012, "V")),
        ("throttle_scatter", exactly(0.007, "V")),
        ("throttle_open", about(4.3, 0.02, "V")),
        ("throttle_return_change", about(0.002, 0.011, "V")),
        ("throttle_pushed_change", about(-0.001, 0.011, "V")),
        ("sweep_dips", exactly(0.0, "{count}")),
        ("coolant_warm", about(85.0, 3.2, "Cel")),
        ("warm", NoteValue::Flag(true)),
        ("coolant_jumps", exactly(0.0, "{count}")),
        ("idle_found", about(851.0, 6.0, RPM)),
        ("valve_found", about(26.0, 1.0, "{step}")),
        ("trim_found", about(1.5, 1.2, "%")),
        ("idle_held", about(722.0, 7.0, RPM)),
        ("screw_moved", exactly(0.25, "{turn}")),
        ("screw_at_end", text("between")),
        ("pinch_hoses_change", about(-3.0, 8.0, RPM)),
        ("pinch_cold_air_change", about(-6.0, 9.0, RPM)),
        ("valve_up_change", about(92.0, 11.0, RPM)),
        ("valve_return_change", about(2.0, 9.0, RPM)),
        ("idle_after", about(848.0, 6.0, RPM)),
        ("valve_after", about(24.0, 1.0, "{step}")),
        ("trim_after", about(1.0, 1.2, "%")),
        ("idle_swing", exactly(8.0, RPM)),
        ("closed_recognised", NoteValue::Flag(true)),
        ("codes", text("")),
    ])
}

/// The healthy notebook with what a cause changes in it.
fn with<const N: usize>(changes: [(&str, NoteValue); N]) -> Notes {
    let mut all = healthy();
    all.extend(notes(changes));
    all
}

/// The cause and the notebook of a car that has it.
fn cars() -> Vec<(&'static str, Notes)> {
    let high_idle = about(845.0, 8.0, RPM);
    vec![
        (
            "air-leak",
            with([
                ("pinch_hoses_change", about(-120.0, 12.0, RPM)),
                ("idle_held", high_idle.clone()),
                ("screw_at_end", text("seated")),
                ("valve_found", about(4.0, 1.0, "{step}")),
            ]),
        ),
        // The screw could still make up for this one, and the air is measured ahead of the leak.
        (
            "air-leak",
            with([
                ("pinch_hoses_change", about(-60.0, 14.0, RPM)),
                ("trim_found", about(15.0, 2.0, "%")),
                ("trim_after", about(14.0, 2.0, "%")),
                ("idle_swing", exactly(29.0, RPM)),
                ("codes", text("P0171")),
            ]),
        ),
        (
            "sticking-idle-valve",
            with([
                ("valve_up_change", about(14.0, 12.0, RPM)),
                ("valve_return_change", about(-34.0, 12.0, RPM)),
                ("idle_swing", exactly(38.0, RPM)),
                ("codes", text("P0505")),
            ]),
        ),
        // It moves, late and not all the way back.
        (
            "sticking-idle-valve",
            with([
                ("valve_up_change", about(66.0, 12.0, RPM)),
                ("valve_return_change", about(48.0, 12.0, RPM)),
                ("idle_swing", exactly(31.0, RPM)),
            ]),
        ),
        ("worn-throttle-track", with([("sweep_dips", exactly(3.0, "{count}"))])),
        (
            "weak-battery",
            with([("battery_off", about(11.6, 0.2, "V")), ("battery_running", about(13.0, 0.2, "V"))]),
        ),
        ("weak-battery", with([("battery_off", about(11.7, 0.2, "V"))])),
        (
            "thermostat-open",
            with([
                ("coolant_warm", about(64.0, 3.2, "Cel")),
                ("warm", NoteValue::Flag(false)),
                ("idle_held", about(775.0, 8.0, RPM)),
                ("pinch_cold_air_change", about(-45.0, 9.0, RPM)),
            ]),
        ),
        (
            "throttle-stop",
            with([
                ("idle_held", high_idle.clone()),
                ("screw_at_end", text("seated")),
                ("valve_found", about(5.0, 1.0, "{step}")),
                ("throttle_closed", about(0.57, 0.012, "V")),
            ]),
        ),
        // The sensor was set on the wrong stop, so that its closed reading says nothing.
        ("throttle-stop", with([("idle_held", about(790.0, 8.0, RPM)), ("screw_at_end", text("seated"))])),
        (
            "tight-cable",
            with([
                ("throttle_pushed_change", about(-0.06, 0.012, "V")),
                ("throttle_return_change", about(0.04, 0.014, "V")),
                ("throttle_closed", about(0.58, 0.012, "V")),
                ("closed_recognised", NoteValue::Flag(false)),
                ("idle_held", high_idle.clone()),
                ("screw_at_end", text("seated")),
                ("valve_found", about(4.0, 1.0, "{step}")),
            ]),
        ),
        (
            "stuck-fast-idle",
            with([
                ("pinch_cold_air_change", about(-95.0, 11.0, RPM)),
                ("idle_held", high_idle),
                ("screw_at_end", text("seated")),
                ("valve_found", about(5.0, 1.0, "{step}")),
            ]),
        ),
        (
            "noisy-sensor",
            with([
                ("throttle_scatter", exactly(0.045, "V")),
                ("sweep_dips", exactly(5.0, "{count}")),
                ("throttle_return_change", about(0.006, 0.04, "V")),
                ("throttle_pushed_change", about(-0.008, 0.04, "V")),
            ]),
        ),
        ("noisy-sensor", with([("throttle_scatter", exactly(0.02, "V"))])),
        (
            "lean",
            with([
                ("trim_found", about(17.0, 2.0, "%")),
                ("trim_after", about(16.0, 2.0, "%")),
                ("idle_swing", exactly(36.0, RPM)),
                ("valve_found", about(40.0, 3.0, "{step}")),
                ("valve_up_change", about(75.0, 28.0, RPM)),
                ("valve_return_change", about(4.0, 28.0, RPM)),
                ("codes", text("P0171")),
            ]),
        ),
        (
            "coolant-air-pocket",
            with([("coolant_jumps", exactly(4.0, "{count}")), ("coolant_warm", about(80.0, 3.2, "Cel"))]),
        ),
        // The pocket also keeps the reading low.
        (
            "coolant-air-pocket",
            with([
                ("coolant_jumps", exactly(3.0, "{count}")),
                ("coolant_warm", about(70.0, 3.2, "Cel")),
                ("warm", NoteValue::Flag(false)),
            ]),
        ),
    ]
}

fn table(causes: &[Cause]) -> String {
    causes.iter().map(|cause| format!("{} {} {}\n", cause.id, cause.grade, cause.score)).collect()
}

#[test]
fn every_cause_stands_first_on_the_car_that_has_it_and_no_other_is_as_likely() {
    let rules = shipped();
    let mut met = BTreeSet::new();
    for (id, notes) in cars() {
        let causes = judge(&rules, &notes, &car());
        assert_eq!((causes[0].id.as_str(), causes[0].grade), (id, Grade::Likely), "{}", table(&causes));
        assert!(causes[0].score >= causes[1].score + 0.5, "{id}:\n{}", table(&causes));
        assert!(causes.iter().skip(1).all(|other| other.grade != Grade::Likely), "{id}:\n{}", table(&causes));
        met.insert(id);
    }
    let known: BTreeSet<String> =
        judge(&rules, &healthy(), &car()).into_iter().map(|cause| cause.id).collect();
    assert_eq!(met.len(), 11);
    assert_eq!(known, met.into_iter().map(String::from).collect());
}

/// Where the throttle rests on the worn place, scatter and dips speak against each other: neither is made
/// out to be more than possible.
#[test]
fn a_worn_place_under_the_resting_wiper_points_to_track_and_noise_alike() {
    let notes = with([("sweep_dips", exactly(4.0, "{count}")), ("throttle_scatter", exactly(0.02, "V"))]);
    let causes = judge(&shipped(), &notes, &car());
    let first: Vec<(&str, Grade)> = causes.iter().take(3).map(|c| (c.id.as_str(), c.grade)).collect();
    let possible = [("worn-throttle-track", Grade::Possible), ("noisy-sensor", Grade::Possible)];
    assert_eq!(first[..2], possible, "{}", table(&causes));
    assert_eq!(first[2].1, Grade::Unlikely, "{}", table(&causes));
}

#[test]
fn nothing_is_held_against_a_healthy_car() {
    let causes = judge(&shipped(), &healthy(), &car());
    assert!(causes.iter().all(|cause| cause.grade == Grade::Unlikely), "{}", table(&causes));
}

#[test]
fn an_empty_notebook_leaves_everything_unknown() {
    let causes = judge(&shipped(), &Notes::new(), &car());
    assert!(
        causes.iter().all(|cause| cause.grade == Grade::Unknown && cause.score == 0.0),
        "{}",
        table(&causes)
    );
}

/// Whichever one note is missing, the cause stays among the first two, or is honestly unknown.
#[test]
fn one_missing_note_does_not_point_elsewhere() {
    let rules = shipped();
    for (id, notes) in cars() {
        for missing in notes.keys() {
            let mut left = notes.clone();
            left.remove(missing);
            let causes = judge(&rules, &left, &car());
            let place = causes.iter().position(|cause| cause.id == id).unwrap();
            let unknown = causes[place].grade == Grade::Unknown;
            let silent = causes[place].score <= 0.0 && causes.iter().all(|c| c.grade != Grade::Likely);
            assert!(place < 2 || unknown || silent, "{id} without {missing}:\n{}", table(&causes));
        }
    }
}

#[test]
fn the_rules_ask_only_for_what_the_procedure_and_the_car_can_give() {
    let rules = shipped();
    let strange: Vec<&str> = rules.notes().into_iter().filter(|note| !NOTES.contains(note)).collect();
    assert_eq!(strange, Vec::<&str>::new());
    let car = car();
    let strange: Vec<&str> =
        rules.setup_values().into_iter().filter(|name| !car.contains_key(*name)).collect();
    assert_eq!(strange, Vec::<&str>::new());
    // Every piece of evidence can be judged on a full notebook: no unit and no kind is amiss.
    for cause in judge(&rules, &healthy(), &car) {
        for evidence in cause.evidence {
            assert_ne!(evidence.word, model::Word::Unknown, "{}: {evidence:?}", cause.id);
        }
    }
}

#[test]
fn the_shipped_file_keeps_its_json_schema() {
    let value: toml::Value = toml::from_str(FILE).unwrap();
    let value = serde_json::to_value(value).unwrap();
    let validator = jsonschema::validator_for(&crate::findings::json_schema()).unwrap();
    let errors: Vec<String> = validator.iter_errors(&value).map(|error| error.to_string()).collect();
    assert_eq!(errors, Vec::<String>::new());
}
