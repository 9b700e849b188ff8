//! The hold demonstration as users run it, against what really happened on the bench car.

use std::collections::BTreeMap;

use bench_car::{ControllerFault, Happened, WorldConfig};
use holdgate_tests::{Bench, Harm, Saboteur, report};
use model::event::{Event, Outcome};
use model::{Ending, Moment, Sample};
use record::Session;
use station::run::{Ended, Hooks, Plan};

fn demo(bench: &Bench) -> (Plan, Ended, Session) {
    let shipped = procedure::scripts::shipped("hold-demo").expect("it is shipped");
    let plan = bench.plan(shipped.file, shipped.text).expect("it is in order");
    let ended = bench.run(&plan, Hooks::default()).expect("it does not crash");
    let path = ended.path.clone().expect("it is recorded");
    let session = record::read_session(&path).expect("it is readable");
    (plan, ended, session)
}

fn samples(session: &Session, channel: &str) -> Vec<Sample> {
    let all = session.samples().expect("samples").map(|sample| sample.expect("a good sample"));
    all.filter(|sample| sample.channel.as_str() == channel).collect()
}

fn warm_car(seed: u64) -> WorldConfig {
    WorldConfig { seed, warm_at: 75.0, ..WorldConfig::default() }
}

#[test]
fn it_passes_on_many_cars_and_gives_the_valve_back_on_each() {
    for seed in 1..=20 {
        let bench = Bench::with(warm_car(seed));
        let (_, ended, _) = demo(&bench);
        assert_eq!(ended.ending, Ending::Passed, "seed {seed}: {:?} {:?}", ended.why, ended.problems);
        assert_eq!(bench.holds().len(), 1, "seed {seed}");
        assert!(bench.holds()[0].1.is_some(), "seed {seed}");
        assert_eq!(bench.violations(), [], "seed {seed}");
    }
}

#[test]
fn readings_go_on_while_the_valve_is_held_at_no_less_than_half_their_rate() {
    let bench = Bench::with(warm_car(3));
    let (_, _, session) = demo(&bench);
    let find = |want: &dyn Fn(&Event) -> bool| {
        let found = session.events.iter().find(|envelope| want(&envelope.event));
        found.map(|envelope| envelope.at).expect("it happened")
    };
    let engaged = find(&|event| matches!(event, Event::HoldEngaged { .. }));
    let released = find(&|event| matches!(event, Event::HoldReleasing { .. }));
    let up = find(&|event| matches!(event, Event::LinkUp { .. }));
    let rpm = samples(&session, "rpm");
    let rate = |from: Moment, to: Moment| {
        rpm.iter().filter(|s| s.at > from && s.at < to).count() as f64 / to.since(from).as_secs_f64()
    };
    let (free, held) = (rate(up, engaged), rate(engaged, released));
    report(&format!("rpm readings a second: {free:.2} free, {held:.2} held"));
    assert!(held >= free / 2.0, "{free} free, {held} held");
}

#[test]
fn every_sample_is_what_the_controller_sampled_within_its_own_time_uncertainty() {
    let bench = Bench::with(warm_car(5));
    let (_, _, session) = demo(&bench);
    let world = bench.world.borrow();
    let sampled: Vec<_> = world
        .log()
        .iter()
        .filter_map(|happened| match happened {
            Happened::Sampled { at, truth, .. } => Some((*at, *truth)),
            _ => None,
        })
        .collect();
    let mut checked = 0;
    for (channel, value) in [
        ("rpm", (|r| r.rpm) as fn(&bench_car::Readings) -> f64),
        ("coolant", |r| r.coolant),
        ("battery", |r| r.battery),
        ("throttle", |r| r.throttle_volts),
    ] {
        let (mut inside, mut all) = (0, 0);
        for sample in samples(&session, channel) {
            let half = sample.time_uncertainty.0;
            let near: Vec<_> = sampled.iter().filter(|(at, _)| (at - sample.at.0).abs() <= half).collect();
            assert_eq!(
                near.len(),
                1,
                "{channel} at {:?}: one moment of sampling lies in its interval",
                sample.at
            );
            // Three standard uncertainties, or the whole rectangle where that is wider.
            let u = sample.uncertainty;
            let limit = (3.0 * u.standard()).max(u.resolution / 2.0 + 3.0 * (u.noise + u.shared));
            inside += u32::from((value(&near[0].1) - sample.value).abs() <= limit);
            all += 1;
        }
        assert!(
            all > 50 && f64::from(inside) >= 0.97 * f64::from(all),
            "{channel}: {inside} of {all} inside"
        );
        checked += all;
    }
    report(&format!("samples against the car's own truth: {checked}"));
}

#[test]
fn counts_of_the_record_agree_with_what_the_controller_answered() {
    let bench = Bench::with(warm_car(7));
    let (_, _, session) = demo(&bench);
    let world = bench.world.borrow();
    // The whole block begins 61 A1; every such answer became one sample of each of its channels.
    let answers = world.log().iter().filter(|happened| match happened {
        Happened::Sent { bytes, .. } => bytes.windows(2).any(|two| two == [0x61, 0xA1]),
        _ => false,
    });
    let answers = answers.count();
    let mut counts: BTreeMap<String, usize> = BTreeMap::new();
    for sample in session.samples().expect("samples") {
        *counts.entry(sample.expect("a good sample").channel.to_string()).or_default() += 1;
    }
    assert!(answers > 100);
    assert_eq!(counts.get("rpm"), Some(&answers));
    assert_eq!(counts.get("coolant"), Some(&answers));
}

#[test]
fn an_engine_that_never_warms_is_not_right_and_nothing_is_held() {
    let fault = bench_car::Fault::new("thermostat-open", 1.0);
    let bench = Bench::with(WorldConfig { faults: vec![fault], ..warm_car(2) });
    let (_, ended, _) = demo(&bench);
    assert_eq!(ended.ending, Ending::CarNotRight, "{:?}", ended.why);
    assert_eq!(bench.holds(), []);
}

#[test]
fn a_controller_that_does_not_answer_ends_as_a_lost_link() {
    let bench = Bench::with(warm_car(2));
    bench.world.borrow_mut().cut(0, true);
    let (_, ended, session) = demo(&bench);
    assert_eq!(ended.ending, Ending::LinkLost, "{:?}", ended.why);
    let last = session.events.last().map(|envelope| &envelope.event);
    assert_eq!(last, Some(&Event::SessionEnded { ending: Ending::LinkLost }));
}

#[test]
fn a_controller_that_refuses_the_hold_is_told_in_words() {
    let bench = Bench::with(warm_car(4));
    bench.world.borrow_mut().controller_fault(0, ControllerFault::Refuse { service: 0x30, code: 0x22 });
    let (_, ended, _) = demo(&bench);
    assert_eq!(ended.ending, Ending::CarNotRight);
    let told: Vec<String> = ended.problems.iter().map(ToString::to_string).collect();
    assert!(told.iter().any(|t| t.contains("conditions for this are not met")), "{told:?}");
    assert_eq!(bench.holds(), []);
}

#[test]
fn a_stop_is_recorded_with_what_it_broke_off() {
    let bench = Bench::with(warm_car(2));
    let shipped = procedure::scripts::shipped("hold-demo").expect("it is shipped");
    let plan = bench.plan(shipped.file, shipped.text).expect("it is in order");
    let saboteur = Saboteur::at_await(&bench.world, Harm::Cancel, 400);
    let ended = bench.run(&plan, saboteur.hooks()).expect("it does not crash");
    assert_eq!((ended.ending, ended.ending.exit_code()), (Ending::Stopped, 3));
    let session = record::read_session(&ended.path.expect("it is recorded")).expect("it is readable");
    let events: Vec<&Event> = session.events.iter().map(|envelope| &envelope.event).collect();
    let has = |want: &dyn Fn(&Event) -> bool| events.iter().any(|event| want(event));
    assert!(has(&|e| matches!(e, Event::GateEnded { outcome: Outcome::Cancelled, .. })));
    assert!(has(&|e| matches!(e, Event::StepEnded { ending: Ending::Stopped, .. })));
    assert_eq!(events.last(), Some(&&Event::SessionEnded { ending: Ending::Stopped }));
}
