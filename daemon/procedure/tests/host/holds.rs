//! However a hold is left, its output is given back once.

use insta::assert_snapshot;
use model::{Command, Ending, Reply};
use procedure::RunReport;
use proptest::prelude::*;

use crate::fake::{Log, after_header, outcome, over, refused, station, try_run};

#[test]
fn a_hold_gives_back_what_its_closure_gives() {
    assert_snapshot!(outcome(r#"
let rpm = hold("idle_valve", 60.steps, #{ at_most: 20.seconds, drop_if: [below("rpm", 450.rpm)] }, || {
    measure("rpm", "held idle", 5.seconds).value
});
remark(`held ${rpm}`);"#), @r#"
    passed
    > engage idle_valve 60 steps 20.0 s guards=1
    > measure rpm 'held idle' 5.0 s
    > release idle_valve
    > remark held 850 r/min
    "#);
}

#[test]
fn a_hold_that_is_left_by_a_throw_an_error_a_return_or_a_limit_is_given_back() {
    for way in [
        "throw \"out\";",
        "let x = 1 / 0;",
        "return 5;",
        "fail(\"not right\");",
        "loop { }",
        "fn_that_is_not();",
        "let s = \"x\"; loop { s += s; }",
        "wait(above(\"rpm\", 5.rpm));",
    ] {
        let (ask, log) = station(|_, _| None);
        let body = format!("hold(\"idle_valve\", 60.steps, #{{ at_most: 9.seconds }}, || {{ {way} }});");
        let report = try_run(&after_header(&body), ask);
        assert_eq!(
            log.words()[1..],
            ["engage idle_valve 60 steps 9.0 s guards=0", "release idle_valve"],
            "{way}"
        );
        let right = if way.starts_with("return") { Ending::Passed } else { Ending::BadInput };
        let right = if way.starts_with("fail") { Ending::CarNotRight } else { right };
        assert_eq!(report.ending, right, "{way}: {report:?}");
    }
}

#[test]
fn a_throw_that_is_caught_outside_the_hold_has_released_before_the_next_word() {
    assert_snapshot!(outcome(r#"
try { hold("idle_valve", 60.steps, #{ at_most: 9.seconds }, || { throw "out"; }); }
catch (e) { remark(`caught ${e}`); }"#), @r#"
    passed
    > engage idle_valve 60 steps 9.0 s guards=0
    > release idle_valve
    > remark caught out
    "#);
}

const BUSY: &str = r#"
poll(["rpm", "coolant"], 200.milliseconds);
guard([above("coolant", 110.celsius)]);
step("one", "One", || {
    for i in 0..2 {
        try {
            hold("idle_valve", (50 + i).steps, #{ at_most: 9.seconds, drop_if: [below("rpm", 450.rpm)] }, || {
                try { wait(steady("rpm", 50.rpm).limit(9.seconds)); } catch { remark("caught within"); }
                note("idle", measure("rpm", "idle", 5.seconds));
            });
        } catch (e) { remark(`caught ${e}`); }
    }
});
step("two", "Two", || {
    let answer = ask_to("turn", "bypass screw", "Turn it.", 5.minutes);
    hold("idle_valve", 70.steps, #{ at_most: 9.seconds }, || { latest("rpm"); read_codes(); });
});
"#;

/// Every engage that was answered, or that may have been, is followed by exactly one release before the next
/// engage, unless the far side said over; then nothing at all follows.
fn balanced(log: &Log, refusals: &[usize], over_at: Option<usize>) -> Result<(), String> {
    let commands = log.commands();
    if let Some(n) = over_at
        && commands.len() > n + 1
    {
        return Err(format!("asked after over: {:?}", log.words()));
    }
    let mut held = false;
    for (n, command) in commands.iter().enumerate() {
        match command {
            Command::Engage { .. } if held => return Err(format!("engaged twice: {:?}", log.words())),
            Command::Engage { .. } => held = !refusals.contains(&n),
            Command::Release { .. } if !held => return Err(format!("released twice: {:?}", log.words())),
            Command::Release { .. } => held = false,
            _ => {}
        }
    }
    if held && over_at.is_none_or(|n| n >= commands.len()) {
        return Err(format!("left held: {:?}", log.words()));
    }
    Ok(())
}

fn busy(fault: impl FnMut(usize, &Command) -> Option<Reply> + Send + 'static) -> (RunReport, Log) {
    let (ask, log) = station(fault);
    (try_run(&after_header(BUSY), ask), log)
}

#[test]
fn the_busy_script_passes_on_a_healthy_car() {
    let (report, log) = busy(|_, _| None);
    assert_eq!(report.ending, Ending::Passed, "{report:?}");
    assert_eq!(log.words().iter().filter(|w| w.starts_with("engage")).count(), 3);
    balanced(&log, &[], None).unwrap();
}

proptest! {
    #[test]
    fn holds_stay_balanced_when_requests_are_refused(at in prop::collection::vec(0..30usize, 0..6)) {
        let refusals = at.clone();
        let (_, log) = busy(move |n, _| refusals.contains(&n).then(refused));
        prop_assert_eq!(balanced(&log, &at, None), Ok(()));
    }

    #[test]
    fn nothing_follows_an_over_wherever_it_comes(n in 0..40usize, refusal in 0..40usize) {
        let rule = move |i, _: &Command| match i {
            i if i == n => Some(over(Ending::LinkLost)),
            i if i == refusal => Some(refused()),
            _ => None,
        };
        let (report, log) = busy(rule);
        prop_assert_eq!(balanced(&log, &[refusal], Some(n)), Ok(()));
        if log.commands().len() > n {
            prop_assert!(matches!(report.ending, Ending::LinkLost | Ending::BadInput), "{report:?}");
        }
    }

    #[test]
    fn holds_stay_balanced_when_answers_do_not_fit(n in 0..40usize) {
        let (report, log) = busy(move |i, _| (i == n).then(|| Reply::Codes { codes: Vec::new() }));
        prop_assert_eq!(balanced(&log, &[], None), Ok(()));
        let asked_codes = log.commands().get(n).is_some_and(|c| matches!(c, Command::ReadCodes));
        if log.commands().len() > n && !asked_codes {
            prop_assert_eq!(report.ending, Ending::BadInput);
        }
    }
}

#[test]
fn holds_stay_balanced_when_a_host_call_panics() {
    for n in 0..30 {
        let (report, log) = busy(move |i, _| if i == n { panic!("a bug for the test") } else { None });
        let words = log.words();
        let engages = words.iter().filter(|w| w.starts_with("engage")).count();
        let releases = words.iter().filter(|w| w.starts_with("release")).count();
        // Whether a release that panicked has got through is not known, so it is tried once more.
        let again = usize::from(words.get(n).is_some_and(|w| w.starts_with("release")));
        assert_eq!(engages + again, releases, "{n}: {words:?}");
        if words.len() > n {
            assert_eq!(report.ending, Ending::BadInput, "{n}: {words:?}");
        }
    }
}
