//! A wait passes only on data, and says what it was when it did not.

use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};

use model::event::Outcome;
use model::{Command, Condition, Ending, Event, Moment, Reply, Span, Word};

use super::controller::Say;
use super::sides::pick;
use super::world::{Script, Told, World, refusal};
use super::{MS, READ, S, channel, gate, rpm, rpm_above, rpm_below};

fn outcome(script: &Script, condition: Condition, dwell: Span, limit: Span) -> (Outcome, Word) {
    match script.ask(Command::Wait { gate: gate(condition, dwell, limit) }) {
        Reply::Waited { outcome, judgement } => (outcome, judgement.word),
        other => panic!("{other:?}"),
    }
}

fn ended(told: &Told) -> Vec<Outcome> {
    let ended = pick(&told.events, |event| match event {
        Event::GateEnded { outcome, .. } => Some(*outcome),
        _ => None,
    });
    ended.into_iter().map(|(_, outcome)| outcome).collect()
}

#[test]
fn a_gate_is_met_by_readings_that_cover_its_dwell() {
    let told = World::new().run(|script| {
        assert_eq!(outcome(script, rpm_above(700.0), S(2), S(20)), (Outcome::Met, Word::Proven));
    });
    assert_eq!(ended(&told), [Outcome::Met]);
    // The dwell is credited by readings: the first and the last of them are its length apart.
    let samples: Vec<Moment> =
        told.samples.iter().filter(|s| s.channel == channel("rpm")).map(|s| s.at).collect();
    let length = samples.last().unwrap().since(samples[0]);
    assert!(length >= S(2) && length < S(2) + MS(400), "{length}");
    let armed = pick(&told.events, |event| matches!(event, Event::GateArmed { .. }).then_some(()));
    assert_eq!(armed.len(), 1);
}

#[test]
fn readings_that_say_no_time_out() {
    let told = World::new().run(|script| {
        assert_eq!(outcome(script, rpm_above(2_000.0), Span::ZERO, S(3)), (Outcome::TimedOut, Word::Outside));
    });
    assert_eq!(ended(&told), [Outcome::TimedOut]);
    // The limit counts from the moment at which the gate was armed, to the microsecond of the clock.
    let at = |find: fn(&Event) -> bool| pick(&told.events, |e| find(e).then_some(()))[0].0;
    let armed = at(|e| matches!(e, Event::GateArmed { .. }));
    assert_eq!(at(|e| matches!(e, Event::GateEnded { .. })).since(armed), S(3));
}

#[test]
fn a_silent_wire_is_unknown_and_a_refusing_controller_is_unknown() {
    // Three attempts at a reading take almost half a second; the limit comes first.
    let silent = Arc::new(AtomicBool::new(false));
    let hush = silent.clone();
    let world = World::with(move |_, request| {
        if request == READ && silent.load(Ordering::Relaxed) { Say::Nothing } else { Say::Usual }
    });
    let told = world.run(move |script| {
        script.link_up();
        hush.store(true, Ordering::Relaxed);
        let silence = outcome(script, rpm_above(700.0), Span::ZERO, MS(200));
        assert_eq!(silence, (Outcome::Unknown, Word::Unknown));
    });
    assert_eq!(ended(&told), [Outcome::Met, Outcome::Unknown]);

    let world = World::with(|_, request| if request == READ { Say::Refuse(0x22) } else { Say::Usual });
    world.run(|script| {
        assert_eq!(outcome(script, rpm_above(700.0), Span::ZERO, S(4)), (Outcome::Unknown, Word::Unknown));
    });
}

#[test]
fn a_link_that_is_down_at_the_limit_is_a_fault() {
    let world = World::with(|at, _| if at > Moment::ZERO + S(3) { Say::Nothing } else { Say::Usual });
    let told = world.run(|script| {
        script.link_up();
        script.pause(S(3));
        assert_eq!(outcome(script, rpm_above(700.0), Span::ZERO, S(4)), (Outcome::Fault, Word::Unknown));
    });
    assert_eq!(ended(&told), [Outcome::Met, Outcome::Fault]);
    assert!(told.events.iter().any(|one| matches!(one.event, Event::LinkDown { .. })));
}

#[test]
fn a_link_that_comes_back_lets_a_gate_pass_on_readings_from_after_it() {
    let down = Moment::ZERO + S(3)..Moment::ZERO + S(8);
    let back = down.end;
    let world = World::with(move |at, _| if down.contains(&at) { Say::Nothing } else { Say::Usual });
    let told = world.run(|script| {
        script.link_up();
        script.pause(S(2));
        assert_eq!(outcome(script, rpm_above(700.0), S(5), S(30)), (Outcome::Met, Word::Proven));
    });
    let end = pick(&told.events, |e| matches!(e, Event::GateEnded { .. }).then_some(()))[1].0;
    assert!(end >= back + S(5), "{end:?}");
    // Two wake-ups were heard; others between them found no ear.
    assert_eq!(told.heard(&[0x81]), 2);
    assert!(told.end.tally.wakeups > 3, "{}", told.end.tally.wakeups);
}

#[test]
fn a_gate_that_cannot_be_judged_is_refused_with_the_cure() {
    World::new().run(|script| {
        let mut wrong = rpm_below(1.0);
        if let Condition::Below { watch, .. } = &mut wrong {
            watch.channel = channel("rmp");
        }
        let reply = script.ask(Command::Wait { gate: gate(wrong, Span::ZERO, S(1)) });
        assert!(refusal(&reply).contains("did you mean 'rpm'?"), "{reply:?}");
        let mut wrong = rpm_below(1.0);
        if let Condition::Below { level, .. } = &mut wrong {
            *level = super::steps(3.0);
        }
        let reply = script.ask(Command::Wait { gate: gate(wrong, Span::ZERO, S(1)) });
        assert!(refusal(&reply).contains("channel rpm"), "{reply:?}");
        let empty = Condition::Within {
            watch: super::watch(S(1), S(1)),
            low: rpm(900.0),
            high: rpm(800.0),
            hysteresis: None,
        };
        let reply = script.ask(Command::Wait { gate: gate(empty, Span::ZERO, S(1)) });
        assert!(refusal(&reply).contains("is empty"), "{reply:?}");
    });
}

#[test]
fn a_guard_that_comes_true_ends_the_wait_under_way() {
    let world = World::new();
    world.controller.look().rpm = 3_500.0;
    let told = world.run(|script| {
        script.link_up();
        assert_eq!(script.ask(Command::Guard { conditions: vec![rpm_above(3_000.0)] }), Reply::Done);
        let reply = script.ask(Command::Wait { gate: gate(rpm_below(1_000.0), Span::ZERO, S(30)) });
        assert!(matches!(reply, Reply::Over { ending: Ending::Stopped, .. }), "{reply:?}");
    });
    let tripped = pick(&told.events, |event| match event {
        Event::GuardTripped { condition, word } => Some((condition.clone(), *word)),
        _ => None,
    });
    assert_eq!(tripped.len(), 1);
    assert_eq!(tripped[0].1, (rpm_above(3_000.0), Word::Proven));
    assert_eq!(
        (told.end.ending, told.end.why.as_deref()),
        (Ending::Stopped, Some("a guard stopped the run"))
    );
}
