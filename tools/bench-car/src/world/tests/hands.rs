use super::bench::{MS, SECOND};
use crate::{Fault, FaultKind, Hose, Load, Start, Truth, Truthful, World, WorldConfig};

/// Five minutes with hands everywhere; `peek` looks in between.
fn lived(config: WorldConfig, peek: Option<i64>) -> (Vec<Truth>, World) {
    let mut world = World::new(WorldConfig { keep_truth: true, ..config }).expect("valid");
    let (mut now, mut truths) = (0, Vec::new());
    for k in 0..60 {
        let until = now + 5 * SECOND;
        match k % 12 {
            0 => world.press_pedal(now, 0.1),
            1 => world.press_pedal(now, 0.0),
            2 => world.turn_throttle_sensor(now, if k < 30 { 0.7 } else { -0.7 }),
            3 => world.turn_screw(now, 0.4),
            4 => world.switch(now, Load::ALL[k / 12 % 4], true),
            5 => world.pinch(now, Hose::Vacuum, k < 30),
            6 => world.push_plate_shut(now, true),
            7 => world.push_plate_shut(now, false),
            8 => world.pinch(now, Hose::ColdStartAir, k < 30),
            9 => world.key(now, false),
            10 => world.key(now, true),
            _ => world.crank(now),
        }
        while let Some(step) = peek.filter(|step| now + step < until) {
            now += step;
            world.advance(now);
            let _ = (world.truth(), world.tachometer());
        }
        now = until;
        world.advance(now);
        truths.push(world.truth());
    }
    (truths, world)
}

/// Every fault alone and at its worst, and all of them at once: nothing is ever not a number, nothing leaves
/// its physical range, and looking often changes nothing.
#[test]
fn hands_and_faults_do_no_harm_and_looking_changes_nothing() {
    let mut cases: Vec<Vec<Fault>> =
        FaultKind::NAMES.iter().map(|(name, _)| vec![Fault::new(*name, 1.0)]).collect();
    cases.push(cases.concat());
    for (seed, faults) in (0..).zip(cases) {
        for start in [Start::Hot, Start::Cold, Start::StandingWarm] {
            let config = WorldConfig { seed, start, faults: faults.clone(), ..WorldConfig::default() };
            let (truths, _) = lived(config.clone(), None);
            for truth in &truths {
                assert!((0.0..6_500.0).contains(&truth.mean_rpm), "{faults:?}: {truth:?}");
                assert!((5.0..120.0).contains(&truth.coolant), "{faults:?}: {truth:?}");
                assert!((3.0..15.0).contains(&truth.battery), "{faults:?}: {truth:?}");
                assert!((0.0..=5.0).contains(&truth.throttle_volts), "{faults:?}: {truth:?}");
                assert!((-0.01..85.0).contains(&truth.plate_angle), "{faults:?}: {truth:?}");
                assert!((-0.51..0.51).contains(&(truth.trims.0 + truth.trims.1)), "{faults:?}: {truth:?}");
            }
            assert_eq!(truths, lived(config, Some(7 * MS + 1)).0, "{faults:?}");
        }
    }
}

#[test]
fn the_true_mean_is_there_only_where_it_was_kept() {
    let (_, world) = lived(WorldConfig { start: Start::Hot, ..WorldConfig::default() }, None);
    let battery = world.true_mean(Truthful::Battery, 0, SECOND).expect("kept");
    assert!((13.0..15.0).contains(&battery), "{battery}");
    let pressure = world.true_mean(Truthful::ManifoldPressure, 20 * SECOND, 30 * SECOND).expect("kept");
    assert!((20.0..60.0).contains(&pressure), "{pressure}");
    assert_eq!(world.true_mean(Truthful::Rpm, -1, SECOND), None);
    assert_eq!(world.true_mean(Truthful::Rpm, 0, 1_000 * SECOND), None);
    let plain = World::new(WorldConfig::default()).expect("valid");
    assert_eq!(plain.true_mean(Truthful::Rpm, 0, SECOND), None);
}

#[test]
fn the_needle_on_the_dash_is_some_per_cent_off() {
    let mut offs = Vec::new();
    for seed in 0..40 {
        let world = World::new(WorldConfig { seed, ..WorldConfig::default() }).expect("valid");
        offs.push(world.tachometer() / world.truth().mean_rpm - 1.0);
    }
    assert!(offs.iter().all(|off| off.abs() < 0.041), "{offs:?}");
    assert!(offs.iter().any(|off| *off > 0.01) && offs.iter().any(|off| *off < -0.01));
}

#[test]
fn turning_the_sensors_body_moves_its_voltage_one_way_or_the_other() {
    let (mut up, mut down) = (0, 0);
    for seed in 0..30 {
        let config = WorldConfig { seed, sensor_off_by: Some(0.0), ..WorldConfig::default() };
        let mut world = World::new(config).expect("valid");
        assert!((world.truth().throttle_volts - 0.5).abs() < 1e-9 || world.parameters().cold_plate > 0.0);
        let before = world.truth().throttle_volts;
        world.turn_throttle_sensor(0, 1.0);
        let moved = world.truth().throttle_volts - before;
        assert!((0.035..0.06).contains(&moved.abs()), "{moved}");
        up += i32::from(moved > 0.0);
        down += i32::from(moved < 0.0);
        world.press_pedal(0, 1.0);
        world.turn_throttle_sensor(0, -1.0);
        world.advance(2 * SECOND);
        let open = world.truth().throttle_volts;
        assert!((3.9..4.7).contains(&open), "wide open: {open}");
    }
    assert!(up > 4 && down > 4);
}

#[test]
fn an_idle_found_high_cannot_be_brought_down_by_the_valve() {
    for seed in 1..=20 {
        let config = WorldConfig { seed, start: Start::Hot, idle_high: true, ..WorldConfig::default() };
        let mut world = World::new(config).expect("valid");
        world.advance(40 * SECOND);
        let truth = world.truth();
        assert!((1_180.0..1_620.0).contains(&truth.mean_rpm), "{seed}: {}", truth.mean_rpm);
        assert_eq!(truth.valve_believed, 0);
        let back = world.parameters().screw_right - truth.screw_turns;
        // Turned in all at once it could stall; a hand takes its time.
        for k in 0..40 {
            world.turn_screw((40 + k) * SECOND, back / 40.0);
        }
        world.advance(100 * SECOND);
        let truth = world.truth();
        assert!((truth.mean_rpm - 850.0).abs() < 50.0, "{seed}: {truth:?}");
    }
    let config = WorldConfig { screw_at: Some(1.25), ..WorldConfig::default() };
    assert_eq!(World::new(config).expect("valid").truth().screw_turns, 1.25);
}
