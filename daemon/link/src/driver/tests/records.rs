//! What is recorded: in order, without gaps, and what is lost is told.

use model::{Command, Condition, Event, Moment, Span};

use super::controller::Say;
use super::sides::pick;
use super::world::World;
use super::{MS, S, channel};

#[test]
fn records_that_were_lost_are_counted_and_told() {
    let mut world = World::new();
    // A recorder with room for three samples between two events: two of the script's steps lose some.
    world.room = 3;
    let told = world.run(|script| {
        script.link_up();
        script.pause(S(2));
        script.pause(S(2));
    });
    let lost = pick(&told.events, |event| match event {
        Event::RecordsLost { count } => Some(*count),
        _ => None,
    });
    assert!(told.refused > 20, "{}", told.refused);
    assert_eq!(lost.iter().map(|(_, count)| count).sum::<u64>(), told.refused);
    let kept = told.samples.len() as u64;
    // Two channels an answer: what came is what was kept and what was lost.
    assert_eq!(kept + told.refused, 2 * told.heard(&super::READ) as u64);
}

#[test]
fn a_recording_that_stops_is_told_once_with_the_reading_that_met_it_and_the_run_goes_on() {
    let mut world = World::new();
    world.stops_after = Some(5);
    let told = world.run(|script| {
        script.link_up();
        script.pause(S(2));
    });
    let problems = pick(&told.events, |event| match event {
        Event::Problem { problem } => Some(problem.clone()),
        _ => None,
    });
    let [(at, problem)] = &problems[..] else { panic!("{problems:?}") };
    assert_eq!(*problem, super::sides::full_disk());
    assert_eq!(*at, told.samples[4].at);
    assert!(told.samples.len() > 20, "{}", told.samples.len());
}

#[test]
fn a_session_says_what_happened_in_its_order_and_ends_with_the_tally() {
    let told = World::new().run(|script| {
        script.link_up();
        script.engage(S(5), vec![]);
        script.release();
    });
    let words: Vec<&str> = told
        .events
        .iter()
        .filter_map(|one| match one.event {
            Event::LinkUp { .. } => Some("up"),
            Event::GateEnded { .. } => Some("gate"),
            Event::HoldIntended { .. } => Some("intended"),
            Event::HoldEngaged { .. } => Some("engaged"),
            Event::HoldReleasing { .. } => Some("releasing"),
            Event::HoldReleased { .. } => Some("released"),
            Event::WireTally { .. } => Some("tally"),
            _ => None,
        })
        .collect();
    assert_eq!(words, ["up", "gate", "intended", "engaged", "releasing", "released", "tally"]);
    assert!(matches!(told.events.last().unwrap().event, Event::WireTally { .. }));
    // The station and the session stand on every one.
    assert!(told.events.iter().all(|one| one.station.as_str() == "bench" && one.session.as_str() == "s1"));
}

#[test]
fn faults_and_refusals_of_the_wire_are_recorded_and_tallied() {
    let mut turn = 0;
    let world = World::with(move |_, request| {
        if request != super::READ {
            return Say::Usual;
        }
        turn += 1;
        match turn {
            3 => Say::Spoiled,
            5 => Say::ObeyUnheard,
            7 => Say::Refuse(0x22),
            9 => Say::Garbage(vec![0x40, 0x11, 0x22]),
            _ => Say::Usual,
        }
    });
    let told = world.run(|script| {
        script.link_up();
        script.pause(S(6));
    });
    let faults = pick(&told.events, |event| match event {
        Event::WireFaulted { fault, request, attempt } => Some((*fault, request.clone(), *attempt)),
        _ => None,
    });
    use model::event::WireFault::{Checksum, Malformed, NoAnswer};
    let kinds: Vec<_> =
        faults.iter().map(|(_, (fault, request, attempt))| (*fault, &request[..], *attempt)).collect();
    assert_eq!(kinds, [(Checksum, "21 A2", 1), (NoAnswer, "21 A2", 1), (Malformed, "21 A2", 1)]);
    let refused = pick(&told.events, |event| match event {
        Event::Refused { code, .. } => Some(*code),
        _ => None,
    });
    assert_eq!(refused.len(), 1);
    assert_eq!(told.end.tally.faults.values().sum::<u64>(), 3);
}

#[test]
fn a_release_is_stamped_with_the_moment_of_the_reading_that_caused_it() {
    let world = World::new();
    world.controller.look().held_rpm = Some(2_500.0);
    let told = world.run(|script| {
        script.link_up();
        // A window so short that one reading decides.
        let watch = super::watch(MS(1), S(1));
        let drop = Condition::Above { watch, level: super::rpm(2_000.0), hysteresis: None };
        script.engage(S(20), vec![drop]);
        script.pause(S(10));
    });
    let at = told.releasing()[0].0;
    let cause = told.samples.iter().find(|s| s.channel == channel("rpm") && s.value > 2_000.0).unwrap();
    // Its answer is complete nine characters of 10/10400 s after it began: four of header and checksum, five
    // of data. The rehearsal's clock counts whole microseconds, upwards.
    let answered = cause.at + cause.time_uncertainty + Span::from_nanos(9 * 961_538);
    assert!(at >= answered && at < answered + Span::from_micros(1), "{at:?} {answered:?}");
}

#[test]
fn what_the_driver_is_told_before_it_runs_stands_first() {
    let told = World::new().run(|script| {
        script.ask(Command::Remark { text: "first".into() });
    });
    assert_eq!((told.events[0].seq, told.events[0].at), (1, Moment::ZERO));
    assert!(matches!(&told.events[0].event, Event::Remark { text } if text == "first"));
}
