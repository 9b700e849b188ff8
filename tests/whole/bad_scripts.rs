//! Scripts that cannot be used or misbehave: a clear error with file, line and column, exit code 2, nothing
//! held, the recording kept.

use holdgate_tests::Bench;
use model::event::Event;
use model::{Ending, Place};
use station::run::Hooks;

const HEAD: &str = r#"procedure("bad", #{ title: "Bad", channels: ["rpm"], outputs: ["idle_valve"] });
caution(["Only on the bench car."]); latest("rpm", 5.seconds);
"#;

/// What is wrong, the script after the header (which takes two lines), the line of the error, words of it.
const SCRIPTS: &[(&str, &str, u32, &str)] = &[
    ("unknown channel", "wait(above(\"rmp\", 300.rpm).limit(5.seconds));", 3, "rmp"),
    ("wrong unit", "\nwait(above(\"rpm\", 75.volts).limit(5.seconds));", 4, "measured in"),
    ("endless loop", "let n = 0;\nwhile true { n += 1; }", 4, "operations"),
    ("deep recursion", "fn down(n) { down(n + 1) }\ndown(0);", 4, "deep"),
    (
        // Entries set by index escape the limit on a map's size; each text is within the limit on texts.
        "memory bomb",
        "let s = \"0123456789abcdef\"; for n in 0..11 { s += s; }\nlet m = #{}; let i = 0;\nwhile true { m[\"k\" + i] = s + i; i += 1; }",
        5,
        "memory",
    ),
    ("long texts", "let a = [];\nlet s = \"0123456789\";\nwhile true { s += s; }", 5, "a text has grown"),
    ("a hold without bound", "hold(\"idle_valve\", 40.steps, #{}, || { });", 3, "at_most"),
    (
        "a hold beyond the longest",
        "hold(\"idle_valve\", 40.steps, #{ at_most: 3.hours }, || { });",
        3,
        "cannot be held for",
    ),
    ("out of range", "hold(\"idle_valve\", 400.steps, #{ at_most: 3.seconds }, || { });", 3, "400"),
    ("no limit", "wait(above(\"rpm\", 300.rpm));", 3, "limit"),
    (
        "a throw in a hold",
        "hold(\"idle_valve\", 40.steps, #{ at_most: 3.seconds }, || {\n throw \"enough\";\n});",
        4,
        "enough",
    ),
    (
        "an endless loop in a hold",
        "hold(\"idle_valve\", 40.steps, #{ at_most: 3.seconds }, || {\n let n = 0;\n while true { n += 1; }\n});",
        3,
        "operations",
    ),
    ("eval", "eval(\"1\");", 3, "eval"),
    ("sleep", "sleep(1);", 3, "sleep"),
    ("import", "import \"x\" as x;", 3, "import"),
];

#[test]
fn each_ends_as_bad_input_with_its_place_and_leaves_nothing_held() {
    for (what, body, line, words) in SCRIPTS {
        let bench = Bench::new(6);
        let text = format!("{HEAD}{body}\n");
        let plan = match bench.plan("bad.rhai", &text) {
            Ok(plan) => plan,
            // Some are seen before anything runs: nothing to record then.
            Err(problems) => {
                assert!(
                    problems[0].to_string().starts_with(&format!("bad.rhai:{line}:")),
                    "{what}: {}",
                    problems[0]
                );
                assert!(problems[0].to_string().contains(words), "{what}: {}", problems[0]);
                continue;
            }
        };
        let ended = bench.run(&plan, Hooks::default()).expect("it does not crash");
        assert_eq!(ended.ending, Ending::BadInput, "{what}: {:?} {:?}", ended.why, ended.problems);
        assert_eq!(ended.ending.exit_code(), 2);
        let problem = ended.problems.last().unwrap_or_else(|| panic!("{what}: no problem told"));
        match &problem.place {
            Place::File { file, line: at, column } => {
                assert_eq!((file.as_str(), *at), ("bad.rhai", *line), "{what}: {problem}");
                assert!(*column > 0, "{what}: {problem}");
            }
            other => panic!("{what}: placed at {other:?}: {problem}"),
        }
        assert!(problem.to_string().contains(words), "{what}: {problem}");
        bench.let_pass(1_000_000_000);
        assert_eq!(bench.world.borrow().truth().held, None, "{what}");
        assert!(
            bench.holds().iter().all(|(_, end)| matches!(end, Some((_, bench_car::Why::Request)))),
            "{what}"
        );
        let path = ended.path.as_ref().expect("it is recorded");
        let session = record::read_session(path).expect("it is readable");
        assert!(matches!(session.events[0].event, Event::SessionStarted { .. }), "{what}");
        let told =
            |e: &model::EventEnvelope| matches!(&e.event, Event::Problem { problem: p } if p == problem);
        assert!(session.events.iter().any(told), "{what}: the record does not tell the problem");
    }
}

#[test]
fn a_host_panic_is_told_as_a_fault_of_the_program() {
    crate::walk::quiet();
    let bench = Bench::new(6);
    let body = "hold(\"idle_valve\", 40.steps, #{ at_most: 3.seconds }, || {\n measure(\"rpm\", \"held\", 1.second);\n});";
    let plan = bench
        .plan("bad.rhai", &format!("{HEAD}wait(above(\"rpm\", 300.rpm).limit(9.seconds));\n{body}\n"))
        .unwrap();
    let hooks = Hooks {
        ask: Some(Box::new(|mut inner: station::run::AskDriver| {
            Box::new(move |command| match command {
                model::Command::Measure { .. } => panic!("a host call failed on purpose"),
                command => inner(command),
            })
        })),
        ..Hooks::default()
    };
    let ended = bench.run(&plan, hooks).expect("it does not crash");
    assert_eq!(ended.ending, Ending::BadInput, "{ended:?}");
    let told: Vec<String> = ended.problems.iter().map(ToString::to_string).collect();
    assert!(
        told.iter().any(|text| text.starts_with("bad.rhai:5:") && text.contains("on purpose")),
        "{told:?}"
    );
    assert_eq!(bench.holds().len(), 1);
    assert!(matches!(bench.holds()[0].1, Some((_, bench_car::Why::Request))));
}
