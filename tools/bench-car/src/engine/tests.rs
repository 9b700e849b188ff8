use super::*;
use crate::config::Start;
use crate::fault::Fault;
use crate::parameters::MAX_STEPS;

const SECOND: i64 = 1_000_000_000;

fn quiet(seed: u64, start: Start) -> WorldConfig {
    WorldConfig { seed, start, noise_scale: 0.0, ..WorldConfig::default() }
}

fn engine(config: &WorldConfig) -> Engine {
    let faults = Severities::resolve(&config.faults).expect("known faults");
    Engine::new(config, &faults)
}

/// The step response of a first-order lag is goal + (start - goal) e^(-t/T): analytic.
#[test]
fn speed_answers_the_screw_as_the_analytic_exponential() {
    let mut engine = engine(&quiet(5, Start::Hot));
    engine.idle.hold(Some(BASIC_STEPS));
    engine.advance(60 * SECOND);
    let before = engine.mean_rpm(60 * SECOND);
    engine.turn_screw(60 * SECOND, 0.7);
    let goal = before + 0.7 * engine.parameters.rpm_per_turn;
    let time_constant = engine.parameters.rpm_time_constant;
    for after in [0, 3, 77, 250, 1_000, 1_003, 4_000] {
        let now = 60 * SECOND + after * 1_000_000;
        engine.advance(now);
        let expected = goal + (before - goal) * (-(after as f64) * 1e-3 / time_constant).exp();
        let seen = engine.mean_rpm(now);
        assert!((seen - expected).abs() < 1e-6, "after {after} ms: {seen} against {expected}");
    }
}

#[test]
fn looking_often_changes_nothing() {
    let config = WorldConfig { seed: 9, start: Start::Cold, ..WorldConfig::default() };
    let (mut often, mut once) = (engine(&config), engine(&config));
    for k in 0..4_000 {
        often.advance(k * 7_300_001);
        let _ = often.readings(k * 7_300_001);
    }
    let now = 30 * SECOND;
    often.advance(now);
    once.advance(now);
    assert_eq!(often.readings(now), once.readings(now));
    assert_eq!(often.idle.believed, once.idle.believed);
}

#[test]
fn the_idle_loop_reaches_its_target_and_keeps_room() {
    for seed in 0..20 {
        let mut engine = engine(&quiet(seed, Start::Hot));
        engine.turn_screw(0, if seed % 2 == 0 { 0.5 } else { -0.5 });
        engine.advance(60 * SECOND);
        let off = engine.mean_rpm(60 * SECOND) - WARM_IDLE;
        // The loop leaves its band alone and moves whole steps.
        let tolerance = engine.parameters.idle_band + engine.parameters.rpm_per_step;
        assert!(off.abs() <= tolerance, "seed {seed}: {off}");
        assert!((1..MAX_STEPS).contains(&engine.idle.believed));
    }
}

#[test]
fn a_held_valve_moves_no_faster_than_its_motor_and_stays() {
    let mut engine = engine(&quiet(3, Start::Hot));
    engine.idle.hold(Some(100));
    let from = engine.idle.believed;
    engine.advance(SECOND / 2);
    let moved = f64::from(engine.idle.believed - from);
    assert!((moved - engine.parameters.steps_per_second * 0.5).abs() <= 1.0, "{moved}");
    engine.advance(20 * SECOND);
    assert_eq!(engine.idle.believed, 100);
    assert!(engine.mean_rpm(20 * SECOND) > WARM_IDLE + 200.0);
    engine.idle.hold(None);
    engine.advance(80 * SECOND);
    assert!((engine.mean_rpm(80 * SECOND) - WARM_IDLE).abs() < 25.0, "the loop takes over again");
}

#[test]
fn held_at_its_basic_position_with_the_screw_right_a_hot_engine_idles_at_its_target() {
    let mut engine = engine(&WorldConfig { screw_off_by: Some(0.0), ..quiet(8, Start::Hot) });
    engine.idle.hold(Some(BASIC_STEPS));
    engine.advance(20 * SECOND);
    assert!((engine.mean_rpm(20 * SECOND) - WARM_IDLE).abs() < 0.01);
}

#[test]
fn too_little_air_stalls_the_engine_and_cranking_brings_it_back() {
    let mut engine = engine(&quiet(2, Start::Hot));
    engine.idle.hold(Some(0));
    engine.turn_screw(0, -SCREW_TRAVEL);
    engine.advance(30 * SECOND);
    assert!(!engine.is_running());
    assert_eq!(engine.mean_rpm(30 * SECOND), 0.0);
    engine.idle.hold(None);
    engine.turn_screw(30 * SECOND, SCREW_TRAVEL);
    engine.crank(30 * SECOND);
    engine.advance(30 * SECOND + SECOND / 2);
    assert!(engine.battery < 12.0, "cranking pulls the battery down: {}", engine.battery);
    engine.advance(120 * SECOND);
    assert!(engine.is_running());
}

/// First-order warming has covered 1 - 1/e of the way after one time constant: analytic.
#[test]
fn a_cold_engine_warms_with_its_time_constant_and_idles_faster() {
    let mut engine = engine(&quiet(6, Start::Cold));
    let p = engine.parameters.clone();
    assert!(engine.target() > WARM_IDLE + 200.0);
    let now = (p.warm_up_time * 1e9) as i64 / GRID * GRID;
    engine.advance(now);
    let expected = p.thermostat - (p.thermostat - p.surroundings) * (-1.0f64).exp();
    assert!((engine.readings(now).coolant - expected).abs() < 0.01);
    engine.advance(now * 6);
    assert!((engine.target() - WARM_IDLE).abs() < 1e-9);
}

#[test]
fn a_night_in_the_cold_passes_in_one_step() {
    let config = quiet(4, Start::Hot);
    let mut engine = engine(&config);
    engine.stop(SECOND);
    engine.advance(14 * 3_600 * SECOND);
    let readings = engine.readings(14 * 3_600 * SECOND);
    let p = &engine.parameters;
    let expected =
        p.surroundings + (p.thermostat - p.surroundings) * decay(14.0 * 3_600.0 - 1.0, p.cool_down_time);
    assert!((readings.coolant - expected).abs() < 0.01, "{} {expected}", readings.coolant);
    assert_eq!(readings.rpm, 0.0);
    assert!((readings.battery - p.resting).abs() < 0.01);
}

#[test]
fn cyclic_variation_has_the_drawn_spread() {
    let config = WorldConfig { seed: 12, start: Start::Hot, ..WorldConfig::default() };
    let mut engine = engine(&config);
    engine.idle.hold(Some(BASIC_STEPS));
    engine.advance(20 * SECOND);
    let mut squares = 0.0;
    for k in 0..20_000 {
        engine.advance(20 * SECOND + k * 20_000_000);
        squares += engine.cyclic * engine.cyclic;
    }
    let spread = (squares / 20_000.0).sqrt();
    // 400 s of at most 0.2 s correlation are at least 1000 independent pieces: 2.2 % standard deviation.
    assert!((spread / engine.parameters.cyclic - 1.0).abs() < 0.12, "{spread}");
}

fn with_fault(name: &str, start: Start) -> Engine {
    engine(&WorldConfig { faults: vec![Fault::new(name, 1.0)], ..quiet(7, start) })
}

#[test]
fn an_open_thermostat_never_gets_warm() {
    let mut engine = with_fault("thermostat-open", Start::Cold);
    engine.advance(3_600 * SECOND);
    assert!(engine.readings(3_600 * SECOND).coolant < 60.0);
}

#[test]
fn a_weak_battery_does_not_reach_charging_voltage() {
    let engine = with_fault("weak-battery", Start::Hot);
    // 13.5 V is the lower end of charging voltages (trade figure).
    assert!(engine.readings(0).battery < 13.0);
    assert!(engine.parameters.resting < 12.0);
}

#[test]
fn a_sticking_valve_stays_behind_its_motor_and_jumps() {
    let mut engine = with_fault("sticking-idle-valve", Start::Hot);
    let start = engine.idle.actual;
    let up = engine.idle.believed + 12;
    engine.idle.hold(Some(up));
    engine.advance(10 * SECOND);
    assert_eq!(engine.idle.believed, up);
    assert_eq!(engine.idle.actual, start, "inside the band it does not move");
    engine.idle.hold(Some(up + 6));
    engine.advance(20 * SECOND);
    assert!(engine.idle.actual > start + 10.0, "past the band it jumps: {}", engine.idle.actual);
}
