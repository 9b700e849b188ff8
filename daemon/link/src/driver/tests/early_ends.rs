//! A hold that ends under its script ends the run, whatever the script was about to be told.

use model::event::ReleaseCause;
use model::{Command, Condition, Ending, Moment, Reply, Span};

use super::controller::Say;
use super::world::World;
use super::{MS, READ, S, channel, gate, rpm, watch};

fn measure(over: Span) -> Command {
    Command::Measure { channel: channel("rpm"), name: "rpm".into(), over }
}

#[test]
fn a_reading_that_takes_the_output_back_meets_no_gate_on_it() {
    let world = World::new();
    world.controller.look().held_rpm = Some(2_500.0);
    let told = world.run(|script| {
        script.link_up();
        // A window of one reading, so that the very first sample of the held engine decides both.
        let fast = || Condition::Above { watch: watch(MS(50), S(1)), level: rpm(2_000.0), hysteresis: None };
        let reply = script.engage(S(30), vec![fast()]);
        assert!(matches!(reply, Reply::Engaged { .. }), "{reply:?}");
        let reply = script.ask(Command::Wait { gate: gate(fast(), Span::ZERO, S(10)) });
        assert!(matches!(reply, Reply::Over { ending: Ending::Stopped, .. }), "{reply:?}");
    });
    assert_eq!(told.the_release().0, ReleaseCause::DropCondition);
    assert_eq!(told.end.ending, Ending::Stopped);
}

#[test]
fn a_measurement_that_runs_into_the_end_of_the_window_is_not_given() {
    let told = World::new().run(|script| {
        script.link_up();
        script.engage(S(4), vec![]);
        let reply = script.ask(measure(S(5)));
        assert!(matches!(reply, Reply::Over { ending: Ending::Stopped, .. }), "{reply:?}");
    });
    assert_eq!(told.the_release().0, ReleaseCause::WindowOver);
    assert_eq!(told.end.ending, Ending::Stopped);
    assert!(told.controller.look().longest_hold <= S(4));
}

#[test]
fn a_measurement_across_a_lost_link_has_no_value() {
    let world = World::new();
    world.controller.look().cut = vec![(Moment::ZERO + S(4), Moment::ZERO + S(10))];
    let told = world.run(|script| {
        script.link_up();
        match script.ask(measure(S(12))) {
            Reply::Measured { estimate, .. } => assert_eq!(estimate, None),
            other => panic!("{other:?}"),
        }
        // Whole again, it measures again.
        match script.ask(measure(S(3))) {
            Reply::Measured { estimate, .. } => assert!(estimate.is_some()),
            other => panic!("{other:?}"),
        }
    });
    assert_eq!(told.end.ending, Ending::Passed);
}

#[test]
fn a_measurement_with_a_hole_in_it_has_no_value() {
    let told = World::with(|at, request| {
        // Readings are refused for a while: the link is up and says nothing of the channel.
        let hole = at > Moment::ZERO + S(4) && at < Moment::ZERO + S(7);
        if hole && request == READ { Say::Refuse(0x22) } else { Say::Usual }
    })
    .run(|script| {
        script.link_up();
        match script.ask(measure(S(6))) {
            Reply::Measured { estimate, readings, .. } => {
                assert!(readings > 5, "{readings}");
                assert_eq!(estimate, None);
            }
            other => panic!("{other:?}"),
        }
    });
    assert_eq!(told.end.ending, Ending::Passed);
}

#[test]
fn a_controller_that_puts_off_its_farewell_does_not_keep_the_run() {
    let told = World::with(|_, request| match request {
        [0x82] => Say::Data(vec![0x7F, 0x82, 0x78]),
        _ => Say::Usual,
    })
    .run(|script| script.link_up());
    assert_eq!(told.end.ending, Ending::Passed);
    assert!(told.end.length < S(6), "{}", told.end.length);
}

/// From the wish to the end at the most: an exchange in flight, the release and what shows its effect.
const SOON: Span = Span::from_millis(1_000);

#[test]
fn a_stop_during_an_answer_that_is_put_off_releases_soon() {
    let told = World::with(|at, request| {
        let late = at > Moment::ZERO + S(3);
        if late && request == READ { Say::Data(vec![0x7F, 0x21, 0x78]) } else { Say::Usual }
    })
    .run(|script| {
        script.link_up();
        script.engage(S(30), vec![]);
        script.pause(S(3));
        script.stop("the test");
    });
    let begun = told.releasing()[0].0;
    let asked = told.controller.look().asked.clone();
    let released = asked.iter().find(|(at, request)| *at > begun && request[..] == super::RELEASE);
    assert!(released.is_some_and(|(at, _)| at.since(begun) < SOON), "{asked:02X?}");
}
