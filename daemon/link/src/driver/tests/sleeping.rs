//! A computer that sleeps in the middle of a run.

use model::event::{Outcome, ReleaseCause};
use model::{Command, Ending, Event, Moment, Reply, Span};

use super::sides::pick;
use super::world::{Told, World};
use super::{ENGAGE, RELEASE, S, gate, rpm_above};

/// Runs a script whose computer sleeps once, from a moment for a time.
fn asleep(from: Moment, time: Span, script: impl FnOnce(&super::world::Script) + Send + 'static) -> Told {
    let world = World::new();
    clock::rehearse(0, |clock| async move {
        let lid = clock.clone();
        let shut = async move {
            lid.sleep_until(from).await;
            lid.sleep_as_computer(time);
            std::future::pending::<()>().await;
        };
        tokio::select! {
            biased;
            () = shut => unreachable!("it waits for ever"),
            told = world.drive(clock, move |s| script(&s)) => told,
        }
    })
    .unwrap()
}

#[test]
fn after_the_computer_slept_the_release_is_the_first_thing_said() {
    // Shorter than the hold's window and than the controller's timeout: nobody else lets go.
    let slept = Moment::ZERO + S(5);
    let told = asleep(slept, S(2), |script| {
        script.link_up();
        script.engage(S(30), vec![]);
        assert!(matches!(script.pause(S(20)), Reply::Over { ending: Ending::Stopped, .. }));
    });
    told.check_always();
    assert_eq!(told.the_release().0, ReleaseCause::ComputerSlept);
    assert_eq!(told.end.ending, Ending::Stopped);
    let woke = slept + S(2);
    let heard = told.controller.look().asked.clone();
    let first = heard.iter().find(|(when, _)| *when > woke).expect("it is spoken to again");
    assert_eq!(first.1, RELEASE, "{heard:?}");
    assert!(!heard.iter().any(|(when, request)| *when > woke && *request == ENGAGE));
    let told_of = pick(&told.events, |event| match event {
        Event::ComputerSlept { time } => Some(*time),
        _ => None,
    });
    assert_eq!(told_of.len(), 1);
    assert_eq!(told_of[0].1, S(2));
}

#[test]
fn a_sleep_with_nothing_held_is_a_gap_and_the_gate_recovers() {
    let told = asleep(Moment::ZERO + S(4), S(3_600), |script| {
        let reply = script.ask(Command::Wait { gate: gate(rpm_above(100.0), S(6), S(7_200)) });
        assert!(matches!(reply, Reply::Waited { outcome: Outcome::Met, .. }), "{reply:?}");
    });
    told.check_always();
    assert_eq!(told.end.ending, Ending::Passed);
    // The dwell begins anew after the hour.
    assert!(told.at > Moment::ZERO + S(3_609), "{:?}", told.at);
    let downs = pick(&told.events, |event| match event {
        Event::LinkDown { why } => Some(why.clone()),
        _ => None,
    });
    assert!(downs.iter().any(|(_, why)| why.contains("slept")), "{downs:?}");
}
