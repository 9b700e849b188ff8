//! Holds that end under the script, and windows that a person makes longer.

use insta::assert_snapshot;
use model::event::ReleaseCause;
use model::{Command, OutputId, Reply};

use crate::fake::{after_header, outcome, station, told, try_run};

/// The hold ends at the n-th wait and stays ended until its release.
fn ending_at_wait(body: &str, n: usize, cause: ReleaseCause) -> String {
    let (mut waits, mut ended) = (0, false);
    let (ask, log) = station(move |_, command| {
        match command {
            Command::Release { .. } => {
                ended = false;
                return None;
            }
            Command::Wait { .. } => {
                waits += 1;
                ended |= waits == n;
            }
            _ => {}
        }
        ended.then(|| Reply::HoldEnded {
            output: OutputId::new("idle_valve").expect("a usable name"),
            cause,
            why: "rpm fell below 450 r/min".into(),
            condition: Some(1),
        })
    });
    told(&try_run(&after_header(body), ask), &log)
}

const BODY: &str = r#"
step("screw", "Turn it", || {
    let held = try_hold("idle_valve", 20.steps, #{ at_most: 30.seconds }, || {
        try { wait(above("rpm", 500.rpm).limit(5.seconds)); } catch { remark("caught"); }
        remark("still held");
        7
    });
    remark(`${held.outcome} ${held.words} ${held.value == 7} ${held.condition == 1}`);
});
remark("after");
"#;

#[test]
fn a_hold_that_is_not_disturbed_gives_what_its_closure_gives() {
    assert_snapshot!(outcome(BODY), @r"
    passed
    > begin screw
    > engage idle_valve 20 steps 30.0 s guards=0
    > wait rpm up to 5.0 s
    > remark still held
    > release idle_valve
    > remark done  true false
    > end screw: passed
    > remark after
    ");
}

#[test]
fn an_early_end_leaves_the_closure_at_once_and_the_script_goes_on_after_it() {
    assert_snapshot!(ending_at_wait(BODY, 1, ReleaseCause::DropCondition), @r"
    passed
    > begin screw
    > engage idle_valve 20 steps 30.0 s guards=0
    > wait rpm up to 5.0 s
    > release idle_valve
    > remark dropped rpm fell below 450 r/min false true
    > end screw: passed
    > remark after
    ");
    let over = ending_at_wait(BODY, 1, ReleaseCause::WindowOver);
    assert!(over.contains("remark window_over"), "{over}");
}

#[test]
fn a_hold_in_a_step_of_its_own_and_a_second_one_afterwards_are_both_given_back() {
    let twice = format!("{BODY}\n{}", BODY.replace("\"screw\"", "\"again\""));
    let text = ending_at_wait(&twice, 1, ReleaseCause::DropCondition);
    assert_eq!(text.matches("> release idle_valve").count(), 2, "{text}");
    assert!(text.contains("> remark done  true false"), "{text}");
}

#[test]
fn a_hold_is_extended_only_when_a_person_says_so() {
    let body = |answer: &'static str| {
        let (ask, log) = station(move |_, command| {
            matches!(command, Command::Prompt { .. }).then(|| Reply::Answered { answer: Some(answer.into()) })
        });
        let script = r#"hold("idle_valve", 20.steps, #{ at_most: 30.seconds }, || {
            if hold_left("idle_valve") < 40.seconds { remark(`${extend_hold("idle_valve", 20.seconds, "Longer?")}`); }
        });"#;
        told(&try_run(&after_header(script), ask), &log)
    };
    let yes = body("hold on");
    assert!(yes.contains("> prompt decide hold") && yes.contains("> extend idle_valve by 20.0 s"), "{yes}");
    assert!(yes.contains("> remark true"), "{yes}");
    for no in ["let go", "what?"] {
        let no = body(no);
        assert!(!no.contains("> extend") && no.contains("> remark false"), "{no}");
    }
}

#[test]
fn whether_a_car_reads_while_held_is_a_fact_of_its_description() {
    assert!(outcome(r#"remark(`${reads_while_held("idle_valve")}`);"#).contains("> remark true"));
}

#[test]
fn a_refused_hold_is_told_to_the_script_and_its_closure_is_not_run() {
    let (ask, log) =
        station(|_, command| matches!(command, Command::Engage { .. }).then(crate::fake::refused));
    let text = told(&try_run(&after_header(BODY), ask), &log);
    assert!(text.starts_with("passed") && text.contains("> remark refused"), "{text}");
    assert!(!text.contains("still held") && !text.contains("> release"), "{text}");
}

#[test]
fn a_plain_hold_that_is_told_of_an_early_end_stops_the_run() {
    // The driver ends the run itself then; whatever it says, the run has not passed.
    let body = r#"hold("idle_valve", 20.steps, #{ at_most: 30.seconds }, || { wait(above("rpm", 500.rpm).limit(5.seconds)); });"#;
    let text = ending_at_wait(body, 1, ReleaseCause::DropCondition);
    assert!(text.starts_with("stopped"), "{text}");
    assert!(text.contains("> release idle_valve"), "{text}");
}
