//! A hold that ends under a script which lives through it, and a window that a person makes longer.

use model::event::{Outcome, ReleaseCause, ReleaseProof};
use model::{Command, Condition, Ending, Event, Reply, Span};

use super::sides::{Hands, pick};
use super::world::{Script, World, refusal};
use super::{MS, S, gate, rpm_above, rpm_below, steps, valve};

fn engage(script: &Script, at_most: Span, drop_if: Vec<Condition>) -> Reply {
    let value = steps(32.0);
    script.ask(Command::Engage { output: valve(), value, at_most, drop_if, goes_on: true })
}

#[test]
fn a_dropped_hold_is_told_and_the_run_goes_on_after_its_release() {
    let world = World::new();
    world.controller.look().held_rpm = Some(500.0);
    let told = world.run(|script| {
        script.link_up();
        assert!(matches!(engage(script, S(30), vec![rpm_below(600.0)]), Reply::Engaged { .. }));
        // Met at once by the held idle, were it not for the drop.
        let reply = script.ask(Command::Wait { gate: gate(rpm_below(700.0), S(5), S(20)) });
        let Reply::HoldEnded { cause, condition, .. } = reply else { panic!("{reply:?}") };
        assert_eq!((cause, condition), (ReleaseCause::DropCondition, Some(0)));
        // Nothing is done for the script until it has asked for the release.
        for command in [Command::Remark { text: "on".into() }, Command::ReadCodes] {
            assert!(matches!(script.ask(command), Reply::HoldEnded { .. }));
        }
        assert!(matches!(script.release(), Reply::Released { proof: ReleaseProof::ControllerAndEffect, .. }));
        let reply = script.ask(Command::Wait { gate: gate(rpm_above(700.0), S(1), S(20)) });
        assert!(matches!(reply, Reply::Waited { outcome: Outcome::Met, .. }), "{reply:?}");
        // And it can be held again.
        assert!(matches!(engage(script, S(30), vec![]), Reply::Engaged { .. }));
        assert!(matches!(script.release(), Reply::Released { .. }));
    });
    assert_eq!(told.end.ending, Ending::Passed, "{:?}", told.end);
    assert_eq!(told.releasing().len(), 2);
    let cancelled = pick(&told.events, |event| {
        matches!(event, Event::GateEnded { outcome: Outcome::Cancelled, .. }).then_some(())
    });
    assert_eq!(cancelled.len(), 1, "the gate under the hold was not met");
}

#[test]
fn a_window_that_is_over_is_told_in_the_same_way_even_while_a_person_is_asked() {
    let told = World::new().run(|script| {
        script.link_up();
        assert!(matches!(engage(script, S(3), vec![]), Reply::Engaged { .. }));
        let reply = script.pause(S(60));
        assert!(matches!(reply, Reply::HoldEnded { cause: ReleaseCause::WindowOver, .. }), "{reply:?}");
        assert!(matches!(script.release(), Reply::Released { .. }));
        assert_eq!(script.ask(Command::Remark { text: "on".into() }), Reply::Done);
    });
    assert_eq!(told.end.ending, Ending::Passed);
    assert!(told.controller.look().longest_hold <= S(3));
}

#[test]
fn a_lost_link_ends_the_run_all_the_same_and_says_what_is_held_and_key_off() {
    let world = World::new();
    let called = world.hands.called.clone();
    world.controller.look().cut = vec![(model::Moment::ZERO + S(6), model::Moment::NEVER)];
    let told = world.run(|script| {
        script.link_up();
        assert!(matches!(engage(script, S(30), vec![]), Reply::Engaged { .. }));
        assert!(matches!(script.pause(S(60)), Reply::Over { ending: Ending::LinkLost, .. }));
    });
    assert_eq!(told.end.ending, Ending::LinkLost);
    let words: Vec<String> = told.end.problems.iter().map(ToString::to_string).collect();
    assert!(words.iter().any(|w| w.contains("held at 32") && w.contains("key off")), "{words:?}");
    assert!(words.iter().any(|w| w.contains("5.0 s after the last word")), "{words:?}");
    assert!(called.lock().unwrap().iter().any(|c| c.contains("key off")));
}

#[test]
fn a_window_is_extended_within_what_the_description_allows_and_no_further() {
    let world = World::new();
    let told = world.run(|script| {
        script.link_up();
        assert!(matches!(engage(script, S(10), vec![]), Reply::Engaged { .. }));
        let left = |script: &Script| match script.ask(Command::HoldLeft { output: valve() }) {
            Reply::HoldLeft { left } => left,
            other => panic!("{other:?}"),
        };
        let before = left(script);
        assert!(before <= S(10) && before > S(9), "{before}");
        let reply = script.ask(Command::Extend { output: valve(), by: S(20) });
        assert!(matches!(reply, Reply::Engaged { .. }), "{reply:?}");
        assert!(left(script) > S(28));
        let too_far = script.ask(Command::Extend { output: valve(), by: S(31) });
        assert!(refusal(&too_far).contains("the description allows up to"), "{too_far:?}");
        let backwards = script.ask(Command::Extend { output: valve(), by: -S(1) });
        assert!(matches!(backwards, Reply::Refused { .. }));
        script.pause(S(20));
        assert!(left(script) > S(8), "it is still held after its first window");
        assert!(matches!(script.release(), Reply::Released { .. }));
        let late = script.ask(Command::Extend { output: valve(), by: S(1) });
        assert!(refusal(&late).contains("not held"), "{late:?}");
    });
    assert_eq!(told.end.ending, Ending::Passed);
    assert!(told.controller.look().longest_hold <= S(30));
    assert!(told.controller.look().longest_hold >= S(20));
    let extended = pick(&told.events, |e| matches!(e, Event::HoldExtended { .. }).then_some(()));
    assert_eq!(extended.len(), 1);
}

#[test]
fn what_is_not_held_or_has_ended_is_not_extended() {
    let world = World::new();
    let told = world.run(|script| {
        script.link_up();
        let reply = script.ask(Command::Extend { output: valve(), by: S(5) });
        assert!(refusal(&reply).contains("not held"), "{reply:?}");
        assert!(matches!(engage(script, MS(2_500), vec![]), Reply::Engaged { .. }));
        let reply = script.pause(S(9));
        assert!(matches!(reply, Reply::HoldEnded { .. }), "{reply:?}");
        let reply = script.ask(Command::Extend { output: valve(), by: S(5) });
        assert!(matches!(reply, Reply::HoldEnded { .. }), "an ended hold is not extended: {reply:?}");
        script.release();
    });
    assert!(told.controller.look().longest_hold <= MS(2_500));
}

#[test]
fn a_hold_that_goes_on_and_was_refused_leaves_the_next_plain_one_plain() {
    let mut first = true;
    let world = World::with(move |_, request| match request {
        [0x30, _, 0x07, _] if std::mem::take(&mut first) => super::controller::Say::Refuse(0x22),
        _ => super::controller::Say::Usual,
    });
    let told = world.run(|script| {
        script.link_up();
        assert!(matches!(engage(script, S(10), vec![]), Reply::Refused { .. }));
        assert!(matches!(script.engage(S(2), vec![]), Reply::Engaged { .. }));
        assert!(matches!(script.pause(S(9)), Reply::Over { ending: Ending::Stopped, .. }));
    });
    assert_eq!(told.end.ending, Ending::Stopped);
}

#[test]
fn leave_to_be_silent_ends_when_the_link_is_back() {
    let world = World::new();
    let second = model::Moment::ZERO + S(40);
    world.controller.look().cut =
        vec![(model::Moment::ZERO + S(8), model::Moment::ZERO + S(20)), (second, model::Moment::NEVER)];
    let told = world.run(|script| {
        script.link_up();
        script.ask(Command::BearSilence { time: S(600) });
        assert!(matches!(script.pause(S(300)), Reply::Over { ending: Ending::LinkLost, .. }));
    });
    assert!(told.at < second + S(30), "{:?}", told.at);
}

#[test]
fn an_answer_that_nobody_foresaw_is_taken_at_once_and_the_hold_goes_on() {
    let world = World { hands: Hands::that_take(S(2)), unforeseen: true, ..World::new() };
    let told = world.run(|script| {
        script.link_up();
        assert!(matches!(script.engage(S(6), vec![]), Reply::Engaged { .. }));
        let reply = script.pause(S(60));
        assert_eq!(reply, Reply::Answered { answer: Some("done".into()) });
        assert!(matches!(script.release(), Reply::Released { .. }));
    });
    let held = told.released()[0].1.1;
    assert!((S(2)..S(3)).contains(&held), "answered after 2 s and given back: {held}");
    assert!(told.heard(&super::ENGAGE) >= 1 && told.ledger.is_empty());
}
