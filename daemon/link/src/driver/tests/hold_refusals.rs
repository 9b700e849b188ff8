//! When a hold is refused nothing is sent and nothing is written down.

use model::{Command, Condition, Ending, OutputId, Quantity, Reply, Span, Unit};

use super::controller::Say;
use super::trail::Mark;
use super::world::{Script, Told, World, refusal};
use super::{MS, S, channel, rpm_above, steps, valve};

/// Runs a refused hold on a car that is up; gives the refusal's words.
fn refused(ask: impl FnOnce(&Script) -> Reply + Send + 'static, says: &'static str) -> Told {
    let told = World::new().run(move |script| {
        script.link_up();
        let words = refusal(&ask(script));
        assert!(words.contains(says), "{words}");
        script.pause(S(1));
    });
    nothing_sent(&told);
    assert!(!told.trail.marks().iter().any(|mark| matches!(mark, Mark::Intended(..))));
    told
}

fn nothing_sent(told: &Told) {
    assert!(told.controller.requests().iter().all(|request| request[0] != 0x30));
    assert_eq!(told.trail.first_byte_of(&super::ENGAGE), None);
}

#[test]
fn an_unknown_output_is_refused_with_the_nearest_name() {
    let output = OutputId::new("idle_value").unwrap();
    refused(move |s| s.engage_at(output, steps(32.0), S(5), vec![]), "did you mean 'idle_valve'?");
}

#[test]
fn a_value_outside_the_range_between_steps_or_in_another_unit_is_refused() {
    refused(|s| s.engage_at(valve(), steps(121.0), S(5), vec![]), "outside the range of idle_valve");
    refused(|s| s.engage_at(valve(), steps(f64::NAN), S(5), vec![]), "idle_valve");
    refused(|s| s.engage_at(valve(), steps(32.5), S(5), vec![]), "the nearest are 32 steps and 33 steps");
    let warm = Quantity::new(20.0, Unit::new("Cel").unwrap());
    refused(move |s| s.engage_at(valve(), warm, S(5), vec![]), "is not in the unit of idle_valve");
}

#[test]
fn a_window_longer_than_the_longest_hold_or_of_no_length_is_refused() {
    refused(|s| s.engage(S(61), vec![]), "the description allows up to 1 min 0 s");
    refused(|s| s.engage(Span::ZERO, vec![]), "at_most is 0 ms");
    refused(|s| s.engage(Span(-1), vec![]), "at_most is");
}

#[test]
fn a_drop_condition_that_cannot_be_judged_is_refused() {
    let wrong = Condition::All { of: Vec::new() };
    refused(move |s| s.engage(S(5), vec![rpm_above(4_000.0), wrong]), "the gate cannot be judged");
}

#[test]
fn a_link_that_is_down_is_refused() {
    let told = World::new().run(|script| {
        let words = refusal(&script.engage(S(5), vec![]));
        assert!(words.contains("the link is down"), "{words}");
        script.pause(S(2));
    });
    nothing_sent(&told);
}

#[test]
fn a_second_hold_of_a_held_output_is_refused_and_the_first_goes_on() {
    let told = World::new().run(|script| {
        script.link_up();
        assert!(matches!(script.engage(S(30), vec![]), Reply::Engaged { .. }));
        let words = refusal(&script.engage_at(valve(), steps(50.0), S(5), vec![]));
        assert!(words.contains("it is held already"), "{words}");
        script.pause(S(7));
        assert!(matches!(script.release(), Reply::Released { .. }));
    });
    assert!(told.controller.requests().iter().all(|r| r[0] != 0x30 || *r != [0x30, 0x51, 0x07, 50]));
    assert_eq!(told.trail.marks().iter().filter(|m| matches!(m, Mark::Intended(..))).count(), 1);
    assert!(told.controller.look().longest_hold >= S(7));
}

#[test]
fn a_ledger_that_cannot_write_keeps_the_hold_from_engaging() {
    let mut world = World::new();
    world.ledger_works = false;
    let told = world.run(|script| {
        script.link_up();
        let words = refusal(&script.engage(S(5), vec![]));
        assert_eq!(words, "holds.ledger: the disk is full (make room on it)");
        script.pause(S(3));
        // It is not held: giving it back is refused, and so is nothing else.
        assert!(refusal(&script.release()).contains("it is not held"));
    });
    nothing_sent(&told);
    assert_eq!(told.trail.marks().iter().filter(|m| **m == Mark::Intended(valve(), false)).count(), 1);
    assert!(told.end.problems.iter().any(|problem| problem.seen == "the disk is full"));
}

#[test]
fn a_controller_that_refuses_is_told_and_struck_out() {
    let world = World::with(|_, request| if request[0] == 0x30 { Say::Refuse(0x22) } else { Say::Usual });
    let told = world.run(|script| {
        script.link_up();
        let words = refusal(&script.engage(S(5), vec![]));
        assert!(words.contains("the controller refuses to be held: code 22"), "{words}");
        assert_eq!(script.ask(Command::Remark { text: "on".into() }), Reply::Done);
    });
    assert_eq!(told.end.ending, Ending::Passed);
    assert!(told.ledger.is_empty() && told.trail.marks().contains(&Mark::Cleared(valve())));
    assert!(told.releasing().is_empty());
}

#[test]
fn giving_back_what_is_not_held_any_more_is_refused_at_once() {
    let told = World::new().run(|script| {
        script.link_up();
        assert!(matches!(script.engage(S(5), vec![]), Reply::Engaged { .. }));
        // The reading that proves the release has the next one on its heels: while that is on the wire the
        // hold is over and must not be taken for one that can still be given back.
        script.ask(Command::Poll { channels: vec![channel("rpm")], period: MS(1) });
        assert!(matches!(script.release(), Reply::Released { .. }));
        assert!(refusal(&script.release()).contains("it is not held"));
    });
    assert_eq!((told.end.ending, told.released().len()), (Ending::Passed, 1));
}

#[test]
fn the_drop_conditions_of_a_refused_hold_do_not_drop_the_next_one() {
    let mut turn = 0;
    let world = World::with(move |_, request| match request {
        [0x30, _, 0x07, _] => {
            turn += 1;
            if turn == 1 { Say::Refuse(0x22) } else { Say::Usual }
        }
        _ => Say::Usual,
    });
    world.controller.look().held_rpm = Some(2_500.0);
    let told = world.run(|script| {
        script.link_up();
        // Once the valve is held the engine runs at 2500: this would drop the second hold.
        refusal(&script.engage(S(20), vec![rpm_above(2_000.0)]));
        assert!(matches!(script.engage(S(20), vec![]), Reply::Engaged { .. }));
        assert_eq!(script.pause(S(5)), Reply::Answered { answer: None });
        assert!(matches!(script.release(), Reply::Released { .. }));
    });
    assert_eq!(told.end.ending, Ending::Passed);
}
