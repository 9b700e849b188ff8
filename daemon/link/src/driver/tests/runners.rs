//! The same loop on both runners.

use std::sync::mpsc::Receiver;
use std::time::Duration;

use model::event::{ReleaseCause, ReleaseProof};
use model::{Command, Ending, Moment, Reply, Span};

use super::controller::Say;
use super::world::{Script, Told, World};
use super::{ENGAGE, MS, READ, RELEASE, S, channel, gate, rpm_above};

/// A few exchanges: awake, session, a reading, a hold and its release.
fn procedure(script: &Script) {
    let wait = Command::Wait { gate: gate(rpm_above(100.0), Span::ZERO, S(10)) };
    let reply = script.ask(wait);
    assert!(matches!(reply, Reply::Waited { outcome: model::event::Outcome::Met, .. }), "{reply:?}");
    let reply = script.ask(Command::Latest { channel: channel("rpm"), within: S(1) });
    assert!(matches!(&reply, Reply::Latest { sample: Some(s) } if s.value == 800.0), "{reply:?}");
    let reply = script.engage(S(5), vec![]);
    assert!(matches!(reply, Reply::Engaged { .. }), "{reply:?}");
    let reply = script.release();
    assert!(matches!(reply, Reply::Released { proof: ReleaseProof::ControllerAndEffect, .. }), "{reply:?}");
}

fn awake() -> World {
    let mut world = World::new();
    world.car = world.car.replace("wakeup = \"fast\"", "wakeup = \"awake\"");
    world.controller.left_held();
    world.controller.look().held = None;
    world
}

fn came_out_right(told: &Told) {
    told.check_always();
    assert_eq!((told.end.ending, &told.end.why), (Ending::Passed, &None));
    assert_eq!(told.the_release().0, ReleaseCause::ScopeLeft);
    // A busy machine may lose an answer and ask again; what is asked comes in this order all the same.
    let mut said = told.controller.requests();
    said.dedup();
    let first = |request: &[u8]| said.iter().position(|one| one == request).unwrap();
    assert!(first(&[0x81]) < first(&[0x10, 0xC3]) && first(&[0x10, 0xC3]) < first(&READ));
    assert!(first(&READ) < first(&ENGAGE) && first(&ENGAGE) < first(&RELEASE));
    assert_eq!(said.last().unwrap(), &[0x82]);
}

#[test]
fn one_procedure_runs_on_a_rehearsal_clock_and_in_real_time() {
    came_out_right(&awake().run(procedure));
    let driver =
        clock::spawn_real("driver", |clock| awake().drive(clock, |script| procedure(&script))).unwrap();
    came_out_right(&driver.join().unwrap().unwrap());
}

#[test]
fn one_rehearsal_twice_gives_the_same_events_to_the_nanosecond() {
    let run = || {
        let mut turn = 0;
        let world = World::with(move |_, _| {
            turn += 1;
            if turn % 7 == 0 { Say::Spoiled } else { Say::Usual }
        });
        world.run(|script| {
            script.link_up();
            script.engage(S(6), vec![rpm_above(4_000.0)]);
            script.pause(MS(2_500));
            script.release();
        })
    };
    let (first, second) = (run(), run());
    assert_eq!(first.events, second.events);
    assert_eq!(first.samples, second.samples);
    assert_eq!(first.controller.look().asked, second.controller.look().asked);
    assert!(first.events.len() > 8 && first.at > Moment::ZERO + S(2));
}

/// A hold under a script that computes until it is told that nobody waits for it any more.
pub(super) fn abandoned(wait: Receiver<()>) -> Told {
    let mut world = World::new();
    world.script_patience = Duration::from_millis(50);
    world.keep_waiting = true;
    world.run_owned(move |script| {
        script.link_up();
        script.engage(S(30), vec![]);
        // It holds on to its side and asks no more.
        let _ = wait.recv();
        drop(script);
    })
}
