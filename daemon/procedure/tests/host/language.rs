//! The language itself: quantities, gates as data, notes, prints.

use insta::assert_snapshot;
use model::event::NoteValue;
use model::{
    ChannelId, Command, Condition, Demand, Ending, Gate, Quality, Quantity, Reply, Span, Unit, Watch,
};
use procedure::{Cancel, Limits, MemoryMeter, compile, header, run};
use proptest::prelude::*;

use crate::fake::{after_header, facts, outcome, sample, station, try_run};

/// The remarks a script body makes, which must pass.
fn says(body: &str) -> Vec<String> {
    let (ask, log) = station(|_, _| None);
    let report = try_run(&after_header(body), ask);
    assert_eq!(report.ending, Ending::Passed, "{report:?}");
    log.words().iter().filter_map(|w| w.strip_prefix("remark ").map(String::from)).collect()
}

#[test]
fn quantities_count_in_their_units() {
    // Conversions: 0 °C is 32 °F and 273.15 K; 1 min is 60 s; 1 bar is 100 kPa (SI brochure and UCUM, from memory).
    let body = r#"
remark(`${75.celsius} ${2.5.volts} ${850.rpm} ${1.step} ${-5.celsius} ${50.percent}`);
remark(`${1.minute + 30.seconds} ${2.bar - 50.kilopascals} ${3 * 2.volts} ${9.volts / 2} ${1.5 * 1.amps}`);
remark(`${0.celsius == 32.fahrenheit} ${0.celsius == quantity(273.15, "K")} ${1.minute >= 60.seconds}`);
remark(`${90.seconds > 1.minute} ${2.volts != 2000.millivolts} ${1.volts < 1.5.volts} ${1.volts <= 1.volts}`);
remark(`${20.celsius.to("[degF]")} ${(3.volts - 5.volts).abs()} ${75.celsius.number} ${75.celsius.unit}`);
print(75.celsius);
remark("idle " + 850.rpm + " held");
let s = setup("closed_throttle");
remark(`${s} ${s.low} ${s.high} ${setup("warm_coolant")}`);
remark(`${latest("rpm")} ${measure("rpm", "idle", 5.seconds)} ${latest("rpm") > 500.rpm}`);"#;
    assert_snapshot!(says(body).join("\n"), @r#"
    75 °C 2.5 V 850 r/min 1 steps -5 °C 50 %
    1.5 min 1.5 bar 6 V 4.5 V 1.5 A
    true true true
    true false true true
    68 °F 2 V 75.0 Cel
    75 °C
    idle 850 r/min held
    0.48 V to 0.52 V 0.48 V 0.52 V 75 °C
    850 r/min 850.0 ± 4.0 r/min true
    "#);
}

#[test]
fn a_change_carries_the_uncertainty_of_both_measurements() {
    // Worked by hand (JCGM 100:2008, 5.1.2, from memory): 4 and 4 give 5.66. The fake car reads the same mean
    // each time, so the change is nought.
    let body = r#"
let before = measure("rpm", "before", 5.seconds);
let after = measure("rpm", "after", 5.seconds);
let change = change(before, after);
remark(`${change} ${(change.high.number - change.low.number - 2.0 * (4.0 * 4.0 + 4.0 * 4.0).sqrt()).abs() < 1e-9}`);"#;
    assert_eq!(says(body), ["0.0 ± 5.7 r/min true"]);
    let mixed = r#"change(measure("rpm", "a", 5.seconds), measure("coolant", "b", 5.seconds));"#;
    assert!(outcome(mixed).contains("measure different things"), "{}", outcome(mixed));
}

#[test]
fn a_gate_is_sent_as_it_was_written() {
    let body = r#"
wait(all([
    above("coolant", setup("warm_coolant")).over(3.seconds).fresh(1.second).hysteresis(2.kelvin),
    not(within("battery", 13.volts, 15000.millivolts)),
    any([rising("rpm", 20.rpm).over(5.seconds), changed("idle_valve", 2.steps)]),
]).proven().dwell(5.seconds).dropout(500.milliseconds).limit(2.minutes));"#;
    let (ask, log) = station(|_, _| None);
    assert_eq!(try_run(&after_header(body), ask).ending, Ending::Passed);
    let quantity = |v, code| Quantity::new(v, Unit::new(code).unwrap());
    let watch = |name, over, fresh| Watch {
        channel: ChannelId::new(name).unwrap(),
        over: Span::from_secs(over),
        fresh: Span::from_secs(fresh),
    };
    let expected = Gate {
        condition: Condition::All {
            of: vec![
                Condition::Above {
                    watch: watch("coolant", 3, 1),
                    level: quantity(75.0, "Cel"),
                    hysteresis: Some(quantity(2.0, "K")),
                },
                Condition::Not {
                    of: Box::new(Condition::Within {
                        watch: watch("battery", 2, 2),
                        low: quantity(13.0, "V"),
                        high: quantity(15000.0, "mV"),
                        hysteresis: None,
                    }),
                },
                Condition::Any {
                    of: vec![
                        Condition::Rising { watch: watch("rpm", 5, 2), by: quantity(20.0, "{rev}/min") },
                        Condition::Changed { watch: watch("idle_valve", 10, 2), by: quantity(2.0, "{step}") },
                    ],
                },
            ],
        },
        demand: Demand::Proven,
        dwell: Span::from_secs(5),
        dropout: Span::from_millis(500),
        limit: Span::from_secs(120),
    };
    assert_eq!(log.commands()[1], Command::Wait { gate: expected });
}

#[test]
fn notes_keep_their_type_and_a_run_can_be_taken_up_again() {
    assert_eq!(
        says(
            r#"
note("q", 850.rpm); note("m", measure("rpm", "idle", 5.seconds)); note("t", "red"); note("f", true); note("n", 3);
remark(`${noted("q") + 1.rpm} ${noted("m").low} ${noted("t")} ${noted("f") == true} ${noted("n") + 1.0}`);
remark(`${has_note("q")} ${has_note("z")}`);"#
        ),
        ["851 r/min 846 r/min red true 4.0", "true false"]
    );
    let mut facts = facts();
    let old = NoteValue::Quantity(Quantity::new(9.0, Unit::new("{turn}").unwrap()));
    facts.notes.insert("screw".into(), old);
    let limits = Limits::default();
    let script = compile("t.rhai", &after_header(r#"remark(`${noted("screw")}`);"#), &limits).unwrap();
    let (ask, log) = station(|_, _| None);
    run(&script, &facts, ask, Cancel::new(), MemoryMeter::new(|| 0), &limits);
    assert_eq!(log.words()[1], "remark 9 turns");
}

#[test]
fn a_reading_that_cannot_be_used_is_nothing_and_nothing_is_not_compared() {
    let rule = |_: usize, command: &Command| match command {
        Command::Latest { channel, .. } => {
            Some(Reply::Latest { sample: Some(sample(channel, Quality::Implausible)) })
        }
        _ => None,
    };
    let (ask, log) = station(rule);
    let body = "remark(`${latest(\"rpm\") == ()}`);\nlet low = latest(\"rpm\", 1.second) < 500.rpm;";
    let report = try_run(&after_header(body), ask);
    assert!(log.words().contains(&"remark true".to_string()));
    assert_snapshot!(report.problems[0], @r#"trial.rhai:3:35: 500 r/min is compared with nothing (there may be no reading: ask whether it is () first)"#);
}

#[test]
fn a_measurement_without_a_value_says_so_and_leaves_the_run_undecided() {
    for need in ["let v = m.value;", "note(\"idle\", m);"] {
        let rule = |_: usize, command: &Command| {
            matches!(command, Command::Measure { .. }).then_some(Reply::Measured {
                estimate: None,
                readings: 1,
                rate: 0.2,
            })
        };
        let (ask, log) = station(rule);
        let body =
            format!("let m = measure(\"rpm\", \"idle\", 5.seconds);\nremark(`${{m.known}} ${{m}}`);\n{need}");
        let report = try_run(&after_header(&body), ask);
        assert_eq!(log.words().last().unwrap(), "remark false no value");
        assert_eq!(report.ending, Ending::Undecided);
        assert_eq!(report.why, "'idle' has no value: there were too few readings");
    }
}

#[test]
fn a_print_that_fails_ends_the_run() {
    let (ask, log) = station(|_, _| None);
    let report = try_run("print(1);\nprocedure(\"x\", #{ title: \"X\" });", ask);
    assert_eq!((report.ending, log.commands().len()), (Ending::BadInput, 0), "{report:?}");
}

#[test]
fn the_header_can_be_read_without_a_car() {
    let limits = Limits::default();
    let script = compile("t.rhai", &after_header("loop { }"), &limits).unwrap();
    let header = header(&script, &limits).unwrap();
    assert_eq!((header.name.as_str(), header.title.as_str()), ("trial", "Trial"));
    assert_eq!((header.channels.len(), header.outputs.len(), header.setup.len()), (6, 1, 4));
    let none = compile("t.rhai", "let x = 1;", &limits).unwrap();
    assert!(procedure::header(&none, &limits).unwrap_err()[0].seen.contains("without saying"));
}

#[test]
fn codes_and_answers_are_plain_lists_and_texts() {
    assert_snapshot!(outcome(r#"
for code in read_codes() { remark(code); }
remark(ask_to("read", "dash lamp", "Is the lamp on?", 1.minute));"#), @r#"
    passed
    > read codes
    > remark P0505
    > prompt read dash lamp
    > remark done
    "#);
}

proptest! {
    /// Whatever is written, reading it gives a script or problems with a place, and never a panic.
    #[test]
    fn no_text_panics(text in "[a-z0-9 \\n(){}\\[\\]\"'`$.;,|&=<>+*/!#-]{0,80}") {
        if let Err(problems) = compile("t.rhai", &text, &Limits::default()) {
            prop_assert!(problems[0].to_string().starts_with("t.rhai"));
        }
    }

    /// Whatever is called with whatever, the run ends and says where.
    #[test]
    fn no_call_panics(
        entry in 0..procedure::reference().len(),
        args in prop::collection::vec(
            prop::sample::select(vec!["5", "-1.5", "\"rpm\"", "\"\"", "5.seconds", "75.celsius", "(0.0/0.0).rpm",
                "[]", "[above(\"rpm\", 5.rpm)]", "#{}", "|| {}", "()", "above(\"rpm\", 5.rpm)", "\"idle_valve\"",
                "60.steps", "#{ at_most: 5.seconds }"]),
            0..5,
        ),
    ) {
        let name = procedure::reference()[entry].name.clone();
        if name.chars().all(|c| c.is_ascii_alphanumeric() || c == '_') {
            let (ask, _) = station(|_, _| None);
            let report = try_run(&after_header(&format!("{name}({});", args.join(", "))), ask);
            prop_assert!(
                report.problems.iter().all(|p| p.kind != model::ProblemKind::Program && p.to_string().contains("trial.rhai:")),
                "{:?}", report.problems
            );
        }
    }
}
