//! Each reply of the car and the people, and the ending it leads to.

use insta::assert_snapshot;
use model::event::{Outcome, ReleaseProof};
use model::{Command, Ending, Reply, Span, Word};
use procedure::{Cancel, MemoryMeter, StepHow};

use crate::fake::{after_header, over, refused, station, told, try_run, try_run_with, waited};

const WAIT: &str =
    "step(\"warm\", \"Warm up\", || {\n  wait(above(\"coolant\", 75.celsius).limit(2.minutes));\n});";

fn with(body: &str, rule: impl FnMut(usize, &Command) -> Option<Reply> + Send + 'static) -> String {
    let (ask, log) = station(rule);
    told(&try_run(&after_header(body), ask), &log)
}

fn on_wait(outcome: Outcome, word: Word) -> impl FnMut(usize, &Command) -> Option<Reply> + Send + 'static {
    move |_, command| matches!(command, Command::Wait { .. }).then(|| waited("coolant", outcome, word))
}

#[test]
fn a_wait_ends_the_run_unless_it_is_met() {
    assert_snapshot!(with(WAIT, on_wait(Outcome::Met, Word::Proven)), @r#"
    passed
    > begin warm
    > wait coolant up to 2 min 0 s
    > end warm: passed
    "#);
    assert_snapshot!(with(WAIT, on_wait(Outcome::TimedOut, Word::Outside)), @r#"
    the car is not right
    trial.rhai:3:3: not reached within 2 min 0 s: coolant 60.0 ± 4.0 °C, wanted what was asked: outside (put it right, then run the procedure again)
    > begin warm
    > wait coolant up to 2 min 0 s
    > end warm: the car is not right
    "#);
    assert_snapshot!(with(WAIT, on_wait(Outcome::Unknown, Word::Unknown)), @r#"
    undecided
    trial.rhai:3:3: could not be told within 2 min 0 s: coolant 60.0 ± 4.0 °C, wanted what was asked: unknown
    > begin warm
    > wait coolant up to 2 min 0 s
    > end warm: undecided
    "#);
    assert_snapshot!(with(WAIT, on_wait(Outcome::Cancelled, Word::Unknown)), @r#"
    stopped
    trial.rhai:3:3: stopped while waiting: coolant 60.0 ± 4.0 °C, wanted what was asked: unknown
    > begin warm
    > wait coolant up to 2 min 0 s
    > end warm: stopped
    "#);
    assert_snapshot!(with(WAIT, on_wait(Outcome::Fault, Word::Unknown)), @r#"
    link lost
    trial.rhai:3:3: the link was lost while waiting: coolant 60.0 ± 4.0 °C, wanted what was asked: unknown (check plug, adapter and ignition, then run it again)
    > begin warm
    > wait coolant up to 2 min 0 s
    > end warm: link lost
    "#);
}

#[test]
fn a_tried_wait_leaves_the_decision_to_the_script_but_not_a_lost_link() {
    let body = r#"
let w = try_wait(above("coolant", 75.celsius).limit(2.minutes));
if w.outcome != "met" { fail(`still cold: ${w.words}`); }"#;
    assert_snapshot!(with(body, on_wait(Outcome::Met, Word::Proven)), @r#"
    passed
    > wait coolant up to 2 min 0 s
    "#);
    assert_snapshot!(with(body, on_wait(Outcome::TimedOut, Word::Outside)), @r#"
    the car is not right
    trial.rhai:4:25: still cold: coolant 60.0 ± 4.0 °C, wanted what was asked: outside (put it right, then run the procedure again)
    > wait coolant up to 2 min 0 s
    "#);
    assert_snapshot!(with(body, on_wait(Outcome::Unknown, Word::Unknown)), @r#"
    the car is not right
    trial.rhai:4:25: still cold: coolant 60.0 ± 4.0 °C, wanted what was asked: unknown (put it right, then run the procedure again)
    > wait coolant up to 2 min 0 s
    "#);
    assert_snapshot!(with(body, on_wait(Outcome::Cancelled, Word::Unknown)), @r#"
    stopped
    trial.rhai:3:9: stopped while waiting
    > wait coolant up to 2 min 0 s
    "#);
    assert_snapshot!(with(body, on_wait(Outcome::Fault, Word::Unknown)), @r#"
    link lost
    trial.rhai:3:9: the link was lost while waiting (check plug, adapter and ignition, then run it again)
    > wait coolant up to 2 min 0 s
    "#);
}

#[test]
fn nothing_is_asked_after_the_far_side_said_over() {
    let body = r#"
step("a", "A", || {
    hold("idle_valve", 60.steps, #{ at_most: 9.seconds }, || {
        try { wait(steady("rpm", 50.rpm).limit(9.seconds)); } catch { remark("caught"); }
        remark("after");
    });
});"#;
    for (said, ends) in [(Ending::LinkLost, Ending::LinkLost), (Ending::Passed, Ending::Stopped)] {
        let (ask, _) = station(move |_, command| matches!(command, Command::Wait { .. }).then(|| over(said)));
        let report = try_run(&after_header(body), ask);
        assert_eq!((report.ending, &report.steps[0].how), (ends, &StepHow::Ended(ends)));
    }
    let rule =
        |_: usize, command: &Command| matches!(command, Command::Wait { .. }).then(|| over(Ending::Stopped));
    assert_snapshot!(with(body, rule), @r#"
    stopped
    trial.rhai:5:15: the far side ended it
    > begin a
    > engage idle_valve 60 steps 9.0 s guards=0
    > wait rpm up to 9.0 s
    "#);
}

#[test]
fn try_and_catch_do_not_swallow_an_end() {
    let timed_out = || on_wait(Outcome::TimedOut, Word::Outside);
    // The language wraps what fails inside for_each in an error that can be caught; the end is latched.
    for attempt in [
        "try { wait(above(\"rpm\", 1.rpm).limit(1.second)); } catch { }",
        "try { [1].for_each(|x| { wait(above(\"rpm\", 1.rpm).limit(1.second)); }); } catch { }",
        "let f = || { wait(above(\"rpm\", 1.rpm).limit(1.second)); }; try { f.call(); } catch (e) { }",
        "for i in 0..3 { try { [1].map(|x| fail(\"no\")); } catch { continue; } }",
    ] {
        let body = format!("{attempt}\nremark(\"went on\");");
        let (ask, log) = station(timed_out());
        let report = try_run(&after_header(&body), ask);
        assert_eq!(report.ending, Ending::CarNotRight, "{attempt}");
        assert!(!log.words().iter().any(|w| w.contains("went on")), "{attempt}");
        assert!(log.words().iter().filter(|w| w.starts_with("wait")).count() <= 1, "{attempt}");
    }
}

#[test]
fn a_refusal_can_be_caught_and_read() {
    let rule = |_: usize, command: &Command| matches!(command, Command::Engage { .. }).then(refused);
    let body = r#"
try { hold("idle_valve", 60.steps, #{ at_most: 9.seconds }, || { remark("held"); }); }
catch (e) { remark(`refused: ${e}; ${e.cure}`); }"#;
    assert_snapshot!(with(body, rule), @r#"
    passed
    > engage idle_valve 60 steps 9.0 s guards=0
    > remark refused: output idle_valve: conditions not correct; stop the engine first
    "#);
    let rule = |_: usize, command: &Command| matches!(command, Command::Engage { .. }).then(refused);
    assert_snapshot!(with("\n  hold(\"idle_valve\", 60.steps, #{ at_most: 9.seconds }, || { });", rule), @r#"
    the car is not right
    trial.rhai:3:3: output idle_valve: conditions not correct (stop the engine first)
    > engage idle_valve 60 steps 9.0 s guards=0
    "#);
}

#[test]
fn nobody_answers() {
    let body = r#"let a = ask_to("turn", "bypass screw", "Turn the screw a quarter in.", 5.minutes);"#;
    let silent = |_: usize, command: &Command| {
        matches!(command, Command::Prompt { .. }).then_some(Reply::Answered { answer: None })
    };
    assert_snapshot!(with(body, silent), @r#"
    undecided
    trial.rhai:2:9: nobody answered within 5 min 0 s: Turn the screw a quarter in.
    > prompt turn bypass screw
    "#);
    assert_snapshot!(with(&format!("{body}\nremark(a);"), |_, _| None), @r#"
    passed
    > prompt turn bypass screw
    > remark done
    "#);
}

#[test]
fn a_release_without_proof_says_key_off() {
    let rule = |_: usize, command: &Command| {
        matches!(command, Command::Release { .. })
            .then_some(Reply::Released { proof: ReleaseProof::None, held: Span::from_secs(31) })
    };
    let body = "hold(\"idle_valve\", 60.steps, #{ at_most: 9.seconds }, || { });\nremark(\"on\");";
    assert_snapshot!(with(body, rule), @r#"
    link lost
    trial.rhai:2:1: output idle_valve: held for 31.0 s, and nothing proves that it is back (key off)
    > engage idle_valve 60 steps 9.0 s guards=0
    > release idle_valve
    "#);
}

#[test]
fn a_reply_to_another_question_ends_the_run_as_a_fault_of_the_program() {
    let rule = |_: usize, command: &Command| matches!(command, Command::Engage { .. }).then_some(Reply::Done);
    let body =
        "try { hold(\"idle_valve\", 60.steps, #{ at_most: 9.seconds }, || { }); } catch { }\nremark(\"on\");";
    assert_snapshot!(with(body, rule), @r#"
    bad input
    trial.rhai:2:7: the station answered 'done' where 'engaged' was due (this is a fault of the program: please report it)
    > engage idle_valve 60 steps 9.0 s guards=0
    > release idle_valve
    "#);
}

#[test]
fn a_panic_in_a_host_call_ends_the_run_and_not_the_program() {
    let rule = |_: usize, command: &Command| -> Option<Reply> {
        if let Command::Measure { .. } = command {
            panic!("a bug for the test");
        }
        None
    };
    let body = r#"
hold("idle_valve", 60.steps, #{ at_most: 9.seconds }, || {
    try { measure("rpm", "idle", 5.seconds); } catch { remark("caught"); }
});"#;
    assert_snapshot!(with(body, rule), @r#"
    bad input
    trial.rhai:4:11: the program failed inside: a bug for the test (this is a fault of the program: please report it with the script)
    > engage idle_valve 60 steps 9.0 s guards=0
    > measure rpm 'idle' 5.0 s
    > release idle_valve
    "#);
}

#[test]
fn a_panic_inside_the_interpreter_ends_the_run_too_and_the_hold_is_given_back() {
    let (ask, log) = station(|_, _| None);
    let held = log.clone();
    let meter = MemoryMeter::new(move || {
        let words = held.words();
        assert!(
            !words.iter().any(|w| w.starts_with("engage")) || words.iter().any(|w| w.starts_with("release"))
        );
        0
    });
    let body = "hold(\"idle_valve\", 60.steps, #{ at_most: 9.seconds }, || { let n = 0; loop { n += 1; } });";
    let report = try_run_with(&after_header(body), ask, Cancel::new(), meter);
    assert_eq!(report.ending, Ending::BadInput);
    assert_eq!(report.problems[0].kind, model::ProblemKind::Program);
    assert_eq!(log.words().last().unwrap(), "release idle_valve");
}

#[test]
fn undecided_and_skipped_steps() {
    let body = r#"
step("a", "A", || { undecided("the gauge could not be read"); });
skip("b", "B", "no idle valve fitted");
step("c", "C", || { });"#;
    let (ask, log) = station(|_, _| None);
    let report = try_run(&after_header(body), ask);
    assert_snapshot!(told(&report, &log), @r#"
    undecided
    the gauge could not be read
    > begin a
    > remark undecided: the gauge could not be read
    > end a: undecided
    > skip b: no idle valve fitted
    > begin c
    > end c: passed
    "#);
    let how: Vec<&StepHow> = report.steps.iter().map(|s| &s.how).collect();
    assert_eq!(
        how,
        [
            &StepHow::Ended(Ending::Undecided),
            &StepHow::Skipped("no idle valve fitted".into()),
            &StepHow::Ended(Ending::Passed)
        ]
    );
}

#[test]
fn a_cancel_during_a_loop_stops_it_and_gives_back() {
    let cancel = Cancel::new();
    let flag = cancel.clone();
    let (ask, log) = station(move |_, command| {
        if matches!(command, Command::Remark { .. }) {
            flag.cancel();
        }
        None
    });
    let body = r#"
step("a", "A", || {
    hold("idle_valve", 60.steps, #{ at_most: 9.seconds }, || {
        remark("now");
        loop { try { loop { let x = 1; } } catch { } }
    });
});"#;
    let report = try_run_with(&after_header(body), ask, cancel, MemoryMeter::new(|| 0));
    assert_snapshot!(told(&report, &log), @r#"
    stopped
    trial.rhai:3:1: it was stopped from outside
    > begin a
    > engage idle_valve 60 steps 9.0 s guards=0
    > remark now
    > release idle_valve
    > end a: stopped
    "#);
}

#[test]
fn a_cancel_before_the_start_asks_nothing() {
    let cancel = Cancel::new();
    cancel.cancel();
    let (ask, log) = station(|_, _| None);
    let report = try_run_with(&after_header("remark(\"x\");"), ask, cancel, MemoryMeter::new(|| 0));
    assert_eq!((report.ending, log.commands().len()), (Ending::Stopped, 0));
}
