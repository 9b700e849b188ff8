use super::*;
use crate::parameters::WARM_IDLE;

fn cranked(engine: &mut Engine) {
    engine.crank(engine.at);
    engine.run(3.0);
}

#[test]
fn too_little_air_stalls_the_engine_and_cranking_brings_it_back() {
    let mut engine = engine(&quiet(2, Start::Hot));
    engine.control.hold(Some(0));
    engine.turn_screw(0, -SCREW_TRAVEL);
    engine.parameters.base_area *= 0.5;
    engine.run(30.0);
    assert!(!engine.is_running());
    assert_eq!(engine.mean_rpm(engine.at), 0.0);
    assert!((engine.pressure - ATMOSPHERE).abs() < 1.0);
    engine.control.hold(None);
    engine.parameters.base_area *= 2.0;
    engine.turn_screw(engine.at, engine.parameters.screw_right);
    engine.crank(engine.at);
    engine.run(0.5);
    assert!(engine.battery.volts < 12.0, "cranking pulls the battery down: {}", engine.battery.volts);
    assert!((120.0..350.0).contains(&engine.mean), "the starter turns it: {}", engine.mean);
    engine.run(60.0);
    assert!(engine.is_running());
}

/// Settled within 15 s after the start, hot and cold, healthy seeds 1 to 50.
#[test]
fn every_healthy_car_starts_and_settles() {
    for start in [Start::Standing, Start::StandingWarm] {
        for seed in 1..=50 {
            let mut engine = engine(&quiet(seed, start));
            assert!(!engine.is_running() && engine.mean == 0.0);
            engine.run(1.0);
            cranked(&mut engine);
            assert!(engine.is_running(), "{start:?} {seed}");
            engine.run(13.0);
            let off = engine.run(3.0) - engine.target();
            assert!(off.abs() < 50.0, "{start:?} {seed}: off by {off}, {} steps", engine.valve.believed);
        }
    }
}

#[test]
fn a_key_cycle_homes_the_valve() {
    let mut engine = with_fault("sticking-idle-valve", 1.0, quiet(7, Start::Hot));
    engine.control.hold(Some(engine.valve.believed + 10));
    engine.run(3.0);
    assert_ne!(engine.valve.actual, f64::from(engine.valve.believed));
    engine.power_off(engine.at);
    engine.run(5.0);
    assert_eq!(engine.mean, 0.0);
    engine.power_on(engine.at);
    assert_eq!(engine.valve.actual, f64::from(engine.valve.believed));
    cranked(&mut engine);
    assert!(engine.is_running());
}

#[test]
fn a_night_in_the_cold_passes_in_one_step_and_the_same_in_many() {
    let night = 14 * 3_600 * SECOND;
    let mut one = engine(&quiet(4, Start::Hot));
    let mut many = engine(&quiet(4, Start::Hot));
    one.power_off(SECOND);
    many.power_off(SECOND);
    one.advance(night);
    for k in 1..=1_000 {
        many.advance(night / 1_000 * k);
    }
    many.advance(night);
    assert_eq!(one.readings(night), many.readings(night));
    let (readings, p) = (one.readings(night), &one.parameters);
    let expected =
        p.surroundings + (p.thermostat - p.surroundings) * decay(14.0 * 3_600.0 - 1.0, p.cool_down_time);
    assert!((readings.coolant - expected).abs() < 0.05, "{} {expected}", readings.coolant);
    assert_eq!(readings.rpm, 0.0);
    assert!((readings.battery - p.resting).abs() < 0.01);
    one.power_on(night);
    cranked(&mut one);
    assert!(one.is_running() && one.target() > WARM_IDLE + 200.0);
}

#[test]
fn a_warm_start_gets_warm_after_seconds_to_tens_of_seconds() {
    for start in [Start::Warm, Start::StandingWarm] {
        for seed in 0..60 {
            let config = quiet(seed, start);
            let mut engine = engine(&config);
            if start == Start::StandingWarm {
                assert!(engine.coolant.engine < config.warm_at);
                continue;
            }
            let mut waited = 0.0;
            while engine.coolant.engine < config.warm_at {
                engine.advance(engine.at + GRID);
                waited += GRID_SECONDS;
                assert!(waited < 40.0);
            }
            assert!((6.0..30.0).contains(&waited), "seed {seed}: {waited}");
        }
    }
}

#[test]
fn a_cold_engine_warms_to_its_thermostat_and_idles_faster_meanwhile() {
    for seed in 0..12 {
        let mut engine = engine(&quiet(seed, Start::Cold));
        let fast = engine.run(20.0);
        assert!((fast - engine.target()).abs() < 60.0, "seed {seed}: {fast} {}", engine.target());
        assert!(fast > WARM_IDLE + 150.0);
        let mut taken = 0.0;
        while engine.coolant.engine < 80.0 {
            engine.run(1.0);
            taken += 1.0;
            assert!(taken < 400.0, "seed {seed}: {}", engine.coolant.engine);
        }
        assert!(taken > 60.0, "{taken}");
        engine.run(240.0);
        let (now, p) = (engine.coolant.engine, &engine.parameters);
        assert!((87.5..93.0).contains(&now), "seed {seed}: {now} for {}", p.thermostat);
        assert_eq!(engine.target(), WARM_IDLE);
        let warm = engine.run(20.0);
        assert!((warm - WARM_IDLE).abs() < 40.0, "seed {seed}: {warm}");
    }
}

#[test]
fn an_idling_hot_engine_cycles_its_fan() {
    for seed in 0..8 {
        let mut engine = engine(&quiet(seed, Start::Hot));
        let (mut switched, mut was, mut highest) = (Vec::new(), false, 0.0f64);
        for k in 0..5_400 {
            engine.advance(k * SECOND);
            if engine.coolant.fan != was {
                was = !was;
                switched.push((k, was));
            }
            highest = highest.max(engine.coolant.engine);
        }
        assert!(highest < 99.0, "{highest}");
        let starts: Vec<i64> = switched.iter().filter(|(_, on)| *on).map(|(at, _)| *at).collect();
        assert!(starts.len() >= 3, "seed {seed}: {switched:?}");
        let period = starts[2] - starts[1];
        assert!((90..1_500).contains(&period), "seed {seed}: {switched:?}");
    }
}
