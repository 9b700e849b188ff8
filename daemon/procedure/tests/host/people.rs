//! Prompts with answers of a kind, calls, results, traces, and what a car may do without.

use insta::assert_snapshot;
use model::{Command, Ending, Reply, Wanted};

use crate::fake::{after_header, outcome, station, told, try_run};

fn answering(body: &str, answers: &'static [&'static str]) -> String {
    let mut n = 0;
    let (ask, log) = station(move |_, command| {
        matches!(command, Command::Prompt { .. }).then(|| {
            n += 1;
            Reply::Answered { answer: answers.get(n - 1).map(ToString::to_string) }
        })
    });
    told(&try_run(&after_header(body), ask), &log)
}

const NUMBER: &str = r#"ask_number("read", "dash", "Read it.", #{ low: 0.rpm, high: 4000.rpm, give_or_take: 50.rpm }, 2.minutes)"#;

#[test]
fn a_typed_number_carries_the_uncertainty_of_its_instrument() {
    assert_snapshot!(answering(&format!("remark(`${{{NUMBER}}}`);"), &["825"]), @r"
    passed
    > prompt read dash
    > remark 825 ± 50 r/min
    ");
    // A comma is how half of the world writes it.
    assert_snapshot!(answering(&format!("remark(`${{{NUMBER}}}`);"), &["nine", "9000", " 812,5 "]), @r"
    passed
    > prompt read dash
    > remark 'nine' is no answer to that: a number from 0 to 4000 r/min
    > prompt read dash
    > remark '9000' is no answer to that: a number from 0 to 4000 r/min
    > prompt read dash
    > remark 812 ± 50 r/min
    ");
}

#[test]
fn a_number_that_never_comes_is_undecided_and_a_range_without_sense_is_told() {
    assert_snapshot!(answering(&format!("{NUMBER};"), &["a", "b", "c"]), @r"
    undecided
    trial.rhai:2:1: no usable answer after 3 times, the last was 'c': Read it.
    > prompt read dash
    > remark 'a' is no answer to that: a number from 0 to 4000 r/min
    > prompt read dash
    > remark 'b' is no answer to that: a number from 0 to 4000 r/min
    > prompt read dash
    > remark 'c' is no answer to that: a number from 0 to 4000 r/min
    ");
    assert_snapshot!(answering(&format!("{NUMBER};"), &[]), @r"
    undecided
    trial.rhai:2:1: nobody answered within 2 min 0 s: Read it.
    > prompt read dash
    ");
    let bad = outcome(
        r#"ask_number("read", "dash", "Read it.", #{ low: 0.rpm, high: 9.volts, give_or_take: 1.rpm }, 2.minutes);"#,
    );
    assert!(
        bad.contains("bad input") && bad.contains("the number is measured in r/min, and 9 V is in V"),
        "{bad}"
    );
    let missing =
        outcome(r#"ask_number("read", "dash", "Read it.", #{ low: 0.rpm, high: 9.rpm }, 2.minutes);"#);
    assert!(missing.contains("has no 'give_or_take'"), "{missing}");
}

#[test]
fn a_choice_is_one_of_the_options_whatever_its_case() {
    let body =
        r#"remark(ask_choice("turn in", "screw", "Turn.", ["done", "it will not go further"], 2.minutes));"#;
    assert_snapshot!(answering(body, &["perhaps", "IT WILL NOT GO FURTHER"]), @r"
    passed
    > prompt turn in screw
    > remark 'perhaps' is no answer to that: one of done, it will not go further
    > prompt turn in screw
    > remark it will not go further
    ");
    let wanted = std::sync::Arc::new(std::sync::Mutex::new(Vec::new()));
    let seen = wanted.clone();
    let (ask, _) = station(move |_, command| {
        if let Command::Prompt { wanted, .. } = command {
            seen.lock().unwrap().push(wanted.clone());
        }
        None
    });
    assert_eq!(try_run(&after_header(body), ask).ending, Ending::Passed);
    assert!(matches!(&wanted.lock().unwrap()[..], [Wanted::Choice { options }] if options.len() == 2));
}

#[test]
fn instructions_and_calls_wait_for_nothing_and_come_after_the_cautions() {
    assert_snapshot!(outcome(r#"instruct("turn", "sensor", "Turn it."); call_out("Come back.");"#), @r"
    passed
    > instruct turn sensor
    > call Come back.
    ");
    let (ask, _) = station(|_, _| None);
    let early = r#"procedure("x", #{ title: "X" }); instruct("turn", "sensor", "Turn it.");"#;
    assert_eq!(try_run(early, ask).ending, Ending::BadInput);
}

#[test]
fn a_result_has_the_word_of_the_judge_and_is_recorded() {
    // The fake car reads 850 ± 4 r/min.
    let body = r#"
        let idle = measure("rpm", "idle", 5.seconds);
        for w in [window(800.rpm, 900.rpm), window(848.rpm, 900.rpm), window(900.rpm, 950.rpm)] {
            remark(result("idle", "rpm", idle, w));
        }
        remark(result_above("idle", "rpm", reading(850.rpm, 10.rpm), 845.rpm));
    "#;
    assert_snapshot!(outcome(body), @r"
    passed
    > measure rpm 'idle' 5.0 s
    > result idle: rpm 850.0 ± 4.0 r/min, wanted 800 r/min to 900 r/min: proven
    > remark proven
    > result idle: rpm 850.0 ± 4.0 r/min, wanted 848 r/min to 900 r/min: inside
    > remark inside
    > result idle: rpm 850.0 ± 4.0 r/min, wanted 900 r/min to 950 r/min, 50.0 r/min to rise: outside
    > remark outside
    > result idle: rpm 850 ± 10 r/min, wanted above 845 r/min: inside
    > remark inside
    ");
    let wrong = outcome(r#"result("idle", "rpm", reading(1.volts, 0.volts), window(1.rpm, 2.rpm));"#);
    assert!(wrong.contains("bad input"), "{wrong}");
}

#[test]
fn a_measurement_without_a_value_is_judged_unknown() {
    let (ask, log) = station(|_, command| {
        matches!(command, Command::Measure { .. }).then_some(Reply::Measured {
            estimate: None,
            readings: 0,
            rate: 0.0,
        })
    });
    let body = r#"remark(result("idle", "rpm", measure("rpm", "idle", 5.seconds), window(1.rpm, 2.rpm)));"#;
    let text = told(&try_run(&after_header(body), ask), &log);
    assert!(
        text.contains("no value, wanted 1 r/min to 2 r/min: unknown (there were too few readings)"),
        "{text}"
    );
}

#[test]
fn traces_times_and_freeze_frames_come_through() {
    let body = r#"
        let course = trace("rpm", "course", 5.seconds);
        remark(`${course.readings} ${course.first} ${course.last} ${course.lowest} ${course.highest} ${course.scatter} ${course.dips(1.rpm)} ${course.jumps(1.rpm)}`);
        remark(`${time_to("coolant", setup("warm_coolant"))}`);
        if read_freeze_frame().code == () { remark("none"); }
        count_down("key off", 20.seconds);
        bear_silence(1.minutes);
    "#;
    assert_snapshot!(outcome(body), @r"
    passed
    > trace rpm 'course' 5.0 s
    > remark 20 850 r/min 850 r/min 850 r/min 850 r/min 0 r/min 0 0
    > forecast coolant 75 °C
    > remark 60 ± 15 s
    > read freeze frame
    > remark none
    > pause 20.0 s key off
    > bear silence 1 min 0 s
    ");
}

#[test]
fn what_a_car_may_do_without_is_asked_for_by_name() {
    let script = |body: &str| {
        format!(
            "procedure(\"x\", #{{ title: \"X\", channels: [\"rpm\"], may_channels: [\"coolant\", \"oil\"], may_setup: [\"room\", \"warm_coolant\"] }});\n{body}"
        )
    };
    let run = |body: &str| {
        let (ask, log) = station(|_, _| None);
        told(&try_run(&script(body), ask), &log)
    };
    let all = r#"for name in ["rpm", "coolant", "oil"] { remark(`${name} ${has_channel(name)}`); } for name in ["room", "warm_coolant"] { remark(`${name} ${has_setup(name)}`); }"#;
    assert_snapshot!(run(all), @r"
    passed
    > remark rpm true
    > remark coolant true
    > remark oil false
    > remark room false
    > remark warm_coolant true
    ");
    assert!(run(r#"has_channel("battery");"#).contains("add it to may_channels"));
    assert!(run(r#"latest("oil", 1.seconds);"#).contains("no channel 'oil'"));
}
