//! However a hold ends, the controller has its output back and the ledger says so only when it is known.

use model::event::{ReleaseCause, ReleaseProof};
use model::{Command, Condition, Ending, Event, Moment, Reply, Span};

use super::controller::Say;
use super::trail::Mark;
use super::world::{Script, Told, World, left_behind};
use super::{ENGAGE, MS, READ, RELEASE, S, gate, rpm_above, rpm_below, valve};

/// What the bench wire takes from the wish to release to the controller's hearing it, at the most: an exchange
/// in flight, the gap, the request (worked from the default times of ISO 14230-2).
const PROMPT: Span = Span::from_millis(400);

fn held(script: &Script, at_most: Span, drop_if: Vec<Condition>) {
    let reply = script.engage(at_most, drop_if);
    assert!(matches!(reply, Reply::Engaged { .. }), "{reply:?}");
}

/// The ledger was written before the engaging request's first character left, and cleared only after the
/// releasing one's.
fn in_order(told: &Told) {
    let marks = told.trail.marks();
    let intended = marks.iter().position(|m| *m == Mark::Intended(valve(), true)).expect("intended");
    let engaged = told.trail.first_byte_of(&ENGAGE).expect("engaged");
    assert!(intended < engaged, "the ledger was written after the first character left");
    if let Some(cleared) = marks.iter().position(|m| *m == Mark::Cleared(valve())) {
        let releasing = told.trail.first_byte_of(&RELEASE).unwrap_or(engaged);
        assert!(releasing < cleared, "the ledger was cleared before the release left");
    }
}

fn over(reply: &Reply) -> Ending {
    match reply {
        Reply::Over { ending, .. } => *ending,
        other => panic!("the run is not over: {other:?}"),
    }
}

const PROVEN: ReleaseProof = ReleaseProof::ControllerAndEffect;

#[test]
fn a_release_is_confirmed_by_the_controller_and_by_its_effect() {
    let told = World::new().run(|script| {
        script.link_up();
        held(script, S(30), vec![]);
        script.pause(S(3));
        let reply = script.release();
        assert!(matches!(reply, Reply::Released { proof: PROVEN, held } if held >= S(3)), "{reply:?}");
    });
    in_order(&told);
    assert_eq!(told.the_release(), (ReleaseCause::ScopeLeft, PROVEN));
    assert_eq!((told.end.ending, told.ledger.len()), (Ending::Passed, 0));
}

#[test]
fn without_a_channel_that_shows_the_effect_the_controllers_word_is_the_proof() {
    let mut world = World::new();
    world.car = world.car.replace("confirm = { channel = \"valve_held\", held = 1, released = 0 }\n", "");
    let told = world.run(|script| {
        script.link_up();
        held(script, S(30), vec![]);
        script.release();
    });
    in_order(&told);
    assert_eq!(told.the_release(), (ReleaseCause::ScopeLeft, ReleaseProof::Controller));
}

#[test]
fn a_script_that_ends_releases() {
    let told = World::new().run(|script| {
        script.link_up();
        held(script, S(30), vec![]);
        script.pause(S(1));
    });
    in_order(&told);
    assert_eq!(told.the_release(), (ReleaseCause::ScriptGone, PROVEN));
    assert_eq!(told.end.ending, Ending::Passed);
}

#[test]
fn a_script_that_dies_in_the_middle_releases() {
    let told = World::new().run_owned(|script| {
        script.link_up();
        held(&script, S(30), vec![]);
        let died = std::panic::catch_unwind(std::panic::AssertUnwindSafe(move || {
            script.pause(S(1));
            std::panic::resume_unwind(Box::new("dead"));
        }));
        assert!(died.is_err());
    });
    assert_eq!(told.the_release(), (ReleaseCause::ScriptGone, PROVEN));
}

#[test]
fn a_script_that_never_asks_again_is_abandoned_and_releases() {
    // Patience is real time here, so it is as short as can be: the script waits until the driver is done.
    let (done, wait) = std::sync::mpsc::channel::<()>();
    let told = super::runners::abandoned(wait);
    drop(done);
    assert_eq!(told.the_release(), (ReleaseCause::ScriptGone, PROVEN));
    assert_eq!(told.end.ending, Ending::BadInput);
    assert!(told.end.why.unwrap().contains("abandoned"));
}

#[test]
fn a_stop_by_command_or_from_outside_releases_at_once() {
    let told = World::new().run(|script| {
        script.link_up();
        held(script, S(30), vec![]);
        assert_eq!(over(&script.stop("the mechanic")), Ending::Stopped);
    });
    in_order(&told);
    assert_eq!(told.the_release(), (ReleaseCause::Stop, PROVEN));

    // From outside, in the middle of a wait: the controller's tenth reading raises it.
    let stop = clock::Stop::new();
    let raise = stop.clone();
    let mut turn = 0;
    let mut world = World::with(move |_, request| {
        turn += i32::from(request == READ);
        if turn == 10 {
            raise.raise("ctrl-c");
        }
        Say::Usual
    });
    world.stop = stop;
    let told = world.run(|script| {
        script.link_up();
        held(script, S(30), vec![]);
        let reply = script.ask(Command::Wait { gate: gate(rpm_above(5_000.0), Span::ZERO, S(20)) });
        assert_eq!(over(&reply), Ending::Stopped);
    });
    assert_eq!(told.the_release(), (ReleaseCause::Stop, PROVEN));
    assert_eq!(told.end.why.as_deref(), Some("stopped by ctrl-c"));
    assert!(told.controller.look().longest_hold < S(3));
}

#[test]
fn a_drop_condition_that_comes_true_releases_and_ends_the_run() {
    let world = World::new();
    world.controller.look().held_rpm = Some(2_500.0);
    let told = world.run(|script| {
        script.link_up();
        held(script, S(30), vec![rpm_above(2_000.0)]);
        assert_eq!(over(&script.pause(S(20))), Ending::Stopped);
    });
    in_order(&told);
    assert_eq!(told.the_release(), (ReleaseCause::DropCondition, PROVEN));
    assert!(told.releasing()[0].1.1.contains("above 2000"), "{:?}", told.releasing());
    assert!(told.end.why.unwrap().contains("idle_valve was given back: a drop condition"));
}

#[test]
fn a_drop_condition_that_cannot_be_judged_releases_after_the_patience_for_it() {
    // From the fifth second on the controller refuses every reading; two seconds without one are too long.
    let from = Moment::ZERO + S(5);
    let world = World::with(move |at, request| {
        if request == READ && at > from && at < from + S(6) { Say::Refuse(0x22) } else { Say::Usual }
    });
    let told = world.run(|script| {
        script.link_up();
        held(script, S(30), vec![rpm_above(2_000.0)]);
        assert_eq!(over(&script.pause(S(25))), Ending::Stopped);
    });
    assert_eq!(told.the_release().0, ReleaseCause::DropCondition);
    let (at, (_, detail)) = &told.releasing()[0];
    assert_eq!(detail, "its drop condition could not be judged");
    // The last reading stays fresh for a second, then two more pass.
    let waited = at.since(from);
    assert!(waited > S(2) + MS(500) && waited < S(3) + MS(500), "{waited}");
}

#[test]
fn a_window_that_is_over_releases_inside_the_window() {
    let told = World::new().run(|script| {
        script.link_up();
        held(script, S(4), vec![]);
        assert_eq!(over(&script.pause(S(20))), Ending::Stopped);
    });
    in_order(&told);
    assert_eq!(told.the_release(), (ReleaseCause::WindowOver, PROVEN));
    let longest = told.controller.look().longest_hold;
    assert!(longest <= S(4) && longest > S(4) - PROMPT, "{longest}");
}

#[test]
fn a_guard_releases_and_ends_the_run() {
    let world = World::new();
    world.controller.look().held_rpm = Some(500.0);
    let told = world.run(|script| {
        script.link_up();
        assert_eq!(script.ask(Command::Guard { conditions: vec![rpm_below(600.0)] }), Reply::Done);
        // The guard may come true while the hold's own answer is still awaited.
        let reply = script.engage(S(30), vec![]);
        assert!(matches!(reply, Reply::Engaged { .. } | Reply::Over { .. }), "{reply:?}");
        assert_eq!(over(&script.pause(S(20))), Ending::Stopped);
    });
    assert_eq!(told.the_release(), (ReleaseCause::Stop, PROVEN));
    assert_eq!(told.end.why.as_deref(), Some("a guard stopped the run"));
    assert!(told.controller.look().longest_hold < S(2));
}

#[test]
fn a_refused_refresh_releases_and_says_that_the_car_is_not_right() {
    let mut turn = 0;
    let world = World::with(move |_, request| {
        turn += i32::from(request == ENGAGE);
        if request == ENGAGE && turn > 1 { Say::Refuse(0x22) } else { Say::Usual }
    });
    let told = world.run(|script| {
        script.link_up();
        held(script, S(30), vec![]);
        assert_eq!(over(&script.pause(S(20))), Ending::CarNotRight);
    });
    assert_eq!(told.the_release(), (ReleaseCause::Refused, PROVEN));
}

#[test]
fn a_port_pulled_out_under_a_hold_waits_for_the_controllers_own_timeout() {
    let mut world = World::new();
    let gone = Moment::ZERO + S(5);
    world.controller.look().cut = vec![(gone, Moment::NEVER)];
    world.wrap = Some(Box::new(move |_, inner| Box::new(super::panics::Faulty::gone_at(inner, gone))));
    let told = world.run(|script| {
        script.link_up();
        held(script, S(30), vec![]);
        assert_eq!(over(&script.pause(S(20))), Ending::LinkLost);
    });
    assert_eq!(told.the_release(), (ReleaseCause::LinkLost, ReleaseProof::ControllerTimeout));
    assert_eq!(told.end.ending, Ending::LinkLost);
    assert!(told.ledger.is_empty());
    // Five seconds after the last word that reached it the controller let go.
    let at = told.released()[0].0;
    assert!(at.since(told.controller.look().last_heard) >= S(5), "{at:?}");
}

#[test]
fn a_cable_that_is_cut_and_comes_back_is_released_over_the_wire() {
    let world = World::new();
    let cut = Moment::ZERO + S(5);
    world.controller.look().cut = vec![(cut, cut + S(2))];
    let told = world.run(|script| {
        script.link_up();
        held(script, S(30), vec![]);
        assert_eq!(over(&script.pause(S(25))), Ending::LinkLost);
    });
    assert_eq!(told.the_release().0, ReleaseCause::LinkLost);
    assert!(told.the_release().1 != ReleaseProof::None);
    assert!(told.controller.look().longest_hold < S(12));
}

#[test]
fn without_a_timeout_of_its_own_and_with_a_dead_wire_only_the_key_helps() {
    let world = World::new().without_timeout();
    let cut = Moment::ZERO + S(5);
    world.controller.look().cut = vec![(cut, Moment::NEVER)];
    let told = world.run(|script| {
        script.link_up();
        held(script, S(30), vec![]);
        assert_eq!(over(&script.pause(S(25))), Ending::LinkLost);
    });
    assert_eq!(told.the_release(), (ReleaseCause::LinkLost, ReleaseProof::None));
    assert!(told.key_off(), "{:?}", told.end.problems);
    assert_eq!(told.ledger.keys().collect::<Vec<_>>(), [&valve()]);
    assert!(!told.trail.marks().contains(&Mark::Cleared(valve())));
    assert_eq!(told.end.ending, Ending::LinkLost);
    // It is true: the controller holds it still.
    assert_eq!(told.controller.look().held, Some(32));
}

#[test]
fn what_a_former_run_left_held_is_released_as_the_very_first_request() {
    let mut world = World::new();
    world.left_behind = vec![left_behind(Some(S(5)))];
    world.controller.left_held();
    let told = world.run(|script| script.link_up());
    let requests = told.controller.requests();
    assert_eq!(requests[0], RELEASE);
    let woken = requests.iter().position(|request| *request == [0x81]).unwrap();
    assert!(requests[..woken].iter().all(|r| *r == RELEASE || *r == READ), "{requests:02X?}");
    assert_eq!(told.the_release(), (ReleaseCause::FormerRun, PROVEN));
    assert_eq!((told.end.ending, told.ledger.len()), (Ending::Passed, 0));
}

#[test]
fn what_a_former_run_left_at_a_controller_that_is_off_ends_by_its_timeout_or_with_the_key() {
    let mut world = World::with(|_, _| Say::Nothing);
    world.left_behind = vec![left_behind(Some(S(5)))];
    let told = world.run(|script| {
        script.pause(S(12));
    });
    assert_eq!(told.the_release(), (ReleaseCause::FormerRun, ReleaseProof::ControllerTimeout));
    assert!(told.ledger.is_empty());

    let mut world = World::with(|_, _| Say::Nothing).without_timeout();
    world.left_behind = vec![left_behind(None)];
    let told = world.run(|script| {
        script.pause(S(12));
    });
    assert_eq!(told.the_release(), (ReleaseCause::FormerRun, ReleaseProof::None));
    assert!(told.key_off() && told.ledger.contains_key(&valve()));
}

#[test]
fn an_output_that_a_former_run_left_held_cannot_be_held_before_it_is_back() {
    let mut world = World::new();
    world.left_behind = vec![left_behind(Some(S(5)))];
    let told = world.run(|script| {
        let words = super::world::refusal(&script.engage(S(5), vec![]));
        assert!(words.contains("it is held already"), "{words}");
        script.link_up();
        held(script, S(5), vec![]);
        script.release();
    });
    assert_eq!(told.released().len(), 2);
}

#[test]
fn an_answer_lost_on_the_way_does_not_lose_the_hold() {
    // The controller obeys, its answer is not heard: the request is repeated.
    let mut turn = 0;
    let world = World::with(move |_, request| {
        turn += i32::from(request == ENGAGE);
        if request == ENGAGE && turn == 1 { Say::ObeyUnheard } else { Say::Usual }
    });
    let told = world.run(|script| {
        script.link_up();
        held(script, S(30), vec![]);
        script.release();
    });
    assert_eq!(told.the_release(), (ReleaseCause::ScopeLeft, PROVEN));
    assert!(told.heard(&ENGAGE) >= 2);
}

#[test]
fn a_hold_that_only_seemed_to_fail_is_released() {
    // The engaging request is obeyed and never answered readably.
    let world = World::with(|_, request| if request == ENGAGE { Say::Spoiled } else { Say::Usual });
    let told = world.run(|script| {
        script.link_up();
        let reply = script.engage(S(30), vec![]);
        assert!(matches!(reply, Reply::Over { ending: Ending::LinkLost, .. }), "{reply:?}");
    });
    assert_eq!(told.the_release().0, ReleaseCause::LinkLost);
    assert!(told.controller.look().longest_hold < S(3));
}

#[test]
fn the_window_of_a_hold_is_told_when_it_begins() {
    let told = World::new().run(|script| {
        script.link_up();
        let reply = script.engage(S(9), vec![]);
        let Reply::Engaged { until } = reply else { panic!("{reply:?}") };
        assert!(until > Moment::ZERO + S(9));
        script.release();
    });
    let until = told.events.iter().find_map(|one| match one.event {
        Event::HoldEngaged { until, .. } => Some(until),
        _ => None,
    });
    // It counts from the engaging request, not from its answer.
    assert!(until.unwrap() < told.engaged_at() + S(9));
}

#[test]
fn a_script_that_ends_while_the_line_is_pulled_low_leaves_it_high() {
    // The wake-up pulse lasts from 300 to 325 ms after the start.
    let told = World::new().run(|script| {
        script.pause(MS(310));
    });
    assert_eq!(told.at, Moment::ZERO + MS(310));
    assert!(!told.controller.look().line_low);
}
