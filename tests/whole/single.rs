//! The hold demonstration over single bytes, against what really happened on the bench car.

use bench_car::{ControllerFault, Happened, Ignored, Noise, WorldConfig};
use holdgate_tests::Bench;
use model::event::Event;
use model::{Ending, Sample};
use record::Session;
use station::bench::Variant;
use station::run::{Ended, Hooks};

fn demo(bench: &Bench) -> (Ended, Session) {
    let shipped = procedure::scripts::shipped("hold-demo").expect("it is shipped");
    let plan = bench.plan(shipped.file, shipped.text).expect("it is in order");
    let ended = bench.run(&plan, Hooks::default()).expect("it does not crash");
    let path = ended.path.clone().expect("it is recorded");
    let session = record::read_session(&path).expect("it is readable");
    assert_eq!(bench.left_in_ledger(&plan), []);
    (ended, session)
}

fn car(seed: u64) -> Bench {
    noisy_car(seed, Noise::default())
}

fn noisy_car(seed: u64, line_noise: Noise) -> Bench {
    let config = WorldConfig { seed, warm_at: 75.0, line_noise, ..WorldConfig::default() };
    Bench::of(Variant::Single, config)
}

fn ignored(bench: &Bench) -> Vec<Ignored> {
    let world = bench.world.borrow();
    let ignored = world.log().iter().filter_map(|happened| match happened {
        Happened::Ignored { why, .. } => Some(*why),
        _ => None,
    });
    ignored.collect()
}

#[test]
fn the_demonstration_passes_on_many_cars_and_says_no_byte_that_the_controller_does_not_know() {
    for seed in 1..=20 {
        let bench = car(seed);
        let (ended, session) = demo(&bench);
        assert_eq!(ended.ending, Ending::Passed, "seed {seed}: {:?} {:?}", ended.why, ended.problems);
        assert_eq!(bench.holds().len(), 1, "seed {seed}");
        assert!(bench.holds()[0].1.is_some(), "seed {seed}");
        // No service of a standard, no farewell, no word in the middle of an answer.
        assert_eq!(ignored(&bench), [], "seed {seed}");
        let up = session.events.iter().find_map(|envelope| match &envelope.event {
            Event::LinkUp { dialect, .. } => Some(dialect.clone()),
            _ => None,
        });
        assert_eq!(up.as_deref(), Some("single bytes"));
    }
}

#[test]
fn every_sample_is_what_the_controller_sampled_within_its_own_time_uncertainty() {
    let bench = car(5);
    let (_, session) = demo(&bench);
    let world = bench.world.borrow();
    let sampled = world.log().iter().filter_map(|happened| match happened {
        Happened::Sampled { at, truth, .. } => Some((*at, truth.coolant)),
        _ => None,
    });
    let sampled: Vec<(i64, f64)> = sampled.collect();
    let all = session.samples().expect("samples").map(|sample| sample.expect("a good sample"));
    let coolant: Vec<Sample> = all.filter(|sample| sample.channel.as_str() == "coolant").collect();
    assert!(coolant.len() > 100);
    for sample in coolant {
        let half = sample.time_uncertainty.0;
        let near: Vec<_> = sampled.iter().filter(|(at, _)| (at - sample.at.0).abs() <= half + 1).collect();
        assert_eq!(near.len(), 1, "one moment of sampling lies in its interval");
        let u = sample.uncertainty;
        let limit = u.resolution / 2.0 + 4.0 * (u.noise + u.shared);
        assert!((near[0].1 - sample.value).abs() <= limit, "{} for {}", sample.value, near[0].1);
    }
}

#[test]
fn whatever_the_line_loses_nothing_stays_held() {
    for seed in 1..=20 {
        let noise = Noise { lost: 0.003, doubled: 0.001, ..Noise::default() };
        let bench = noisy_car(seed, noise);
        let (ended, _) = demo(&bench);
        bench.let_pass(5_000_000_000);
        assert_eq!(bench.world.borrow().truth().held, None, "seed {seed}: {:?}", ended.why);
        assert!(bench.holds().iter().all(|hold| hold.1.is_some()), "seed {seed}");
        for (from, to) in bench.holds() {
            let (to, _) = to.expect("every hold ended");
            // The script holds for 20 s at the most.
            assert!(to - from <= 20_000_000_000, "seed {seed}: held for {} ns", to - from);
        }
    }
}

#[test]
fn a_controller_that_refuses_the_hold_is_told_in_words() {
    let bench = car(4);
    bench.world.borrow_mut().controller_fault(0, ControllerFault::Refuse { service: 0xB4, code: 0 });
    let (ended, _) = demo(&bench);
    assert_eq!(ended.ending, Ending::CarNotRight, "{:?}", ended.why);
    assert_eq!(bench.holds(), []);
}

#[test]
fn a_controller_that_does_not_answer_ends_as_a_lost_link() {
    let bench = car(2);
    bench.world.borrow_mut().cut(0, true);
    let (ended, _) = demo(&bench);
    assert_eq!(ended.ending, Ending::LinkLost, "{:?}", ended.why);
}

#[test]
fn what_needs_a_service_is_refused_in_words() {
    let bench = car(3);
    let text = r#"
        procedure("codes", #{ title: "Read codes", channels: ["rpm"] });
        step("codes", "Read stored codes", || { read_codes(); });
    "#;
    let plan = bench.plan("codes.rhai", text).expect("it is in order");
    let ended = bench.run(&plan, Hooks::default()).expect("it does not crash");
    assert_eq!(ended.ending, Ending::CarNotRight);
    let told: Vec<String> = ended.problems.iter().map(ToString::to_string).collect();
    assert!(told.iter().any(|told| told.contains("no service for trouble codes")), "{told:?}");
    assert_eq!(ignored(&bench), []);
}
