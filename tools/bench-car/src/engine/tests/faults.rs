use super::*;
use crate::config::AirMeasurement;
use crate::parameters::WARM_IDLE;

fn right(seed: u64, start: Start) -> WorldConfig {
    WorldConfig { screw_off_by: Some(0.0), ..quiet(seed, start) }
}

#[test]
fn a_leak_is_made_up_by_the_valve_as_far_as_it_goes() {
    let mut healthy = engine(&right(7, Start::Hot));
    let mut leaking = with_fault("air-leak", 0.4, right(7, Start::Hot));
    let mut bad = with_fault("air-leak", 1.0, right(7, Start::Hot));
    healthy.run(20.0);
    leaking.run(20.0);
    assert!(leaking.valve.believed + 8 < healthy.valve.believed);
    let fast = bad.run(20.0);
    assert!(fast > WARM_IDLE + 30.0 && bad.valve.believed == 0, "{fast}");
    bad.pinch(bad.at, Hose::Vacuum, true);
    let pinched = bad.run(20.0);
    assert!(pinched < fast - 30.0 && bad.run(60.0) < WARM_IDLE + 25.0);
}

#[test]
fn a_leak_drives_the_trims_only_behind_a_mass_meter() {
    let trims = |air| {
        let mut leaking = with_fault("air-leak", 0.5, WorldConfig { air, ..right(7, Start::Hot) });
        leaking.run(60.0);
        leaking.fuel.long + leaking.fuel.short
    };
    assert!(trims(AirMeasurement::Mass) > 0.15);
    assert!(trims(AirMeasurement::Pressure).abs() < 0.07);
}

#[test]
fn trims_learn_a_fault_away_slowly() {
    let mut engine = engine(&right(3, Start::Hot));
    let before = engine.fuel.long;
    engine.parameters.fuel_short = 0.15;
    engine.run(5.0);
    assert!(engine.fuel.short > 0.08 && (engine.fuel.long - before).abs() < 0.05);
    engine.run(200.0);
    // 1/0.85 of the fuel is needed: 17.6 % more.
    let gained = engine.fuel.long - before;
    assert!((0.14..0.21).contains(&gained), "{gained}");
    assert!((engine.fuel.lambda - 1.0).abs() < 0.03);
}

#[test]
fn an_open_thermostat_never_gets_warm() {
    let mut engine = with_fault("thermostat-open", 1.0, quiet(7, Start::Cold));
    engine.advance(3_600 * SECOND);
    let coolant = engine.readings(engine.at).coolant;
    assert!((45.0..62.0).contains(&coolant), "{coolant}");
}

#[test]
fn a_weak_battery_does_not_reach_charging_voltage_and_lets_the_controller_down() {
    let hot = with_fault("weak-battery", 1.0, quiet(7, Start::Hot));
    // 13.5 V is the lower end of charging voltages (trade figure).
    assert!(hot.readings(0).battery < 13.0);
    assert!(hot.parameters.resting < 12.0);
    let (mut needed_two, mut started) = (0, 0);
    for seed in 0..40 {
        let mut weak = with_fault("weak-battery", 1.0, quiet(seed, Start::StandingWarm));
        weak.crank(0);
        let mut browned = false;
        for k in 1..300 {
            weak.advance(k * GRID);
            browned |= weak.is_browned_out();
        }
        assert!(browned, "below 7 V the controller restarts");
        weak.run(2.0);
        if !weak.is_running() {
            needed_two += 1;
            for _ in 0..4 {
                weak.crank(weak.at);
                weak.run(5.0);
            }
        }
        started += u32::from(weak.is_running());
    }
    assert!(needed_two >= 10, "{needed_two}");
    assert!(started >= 38, "{started}");
    let mut mild = with_fault("weak-battery", 0.2, quiet(3, Start::StandingWarm));
    mild.crank(0);
    for k in 1..300 {
        mild.advance(k * GRID);
        assert!(!mild.is_browned_out());
    }
    assert!(mild.is_running());
}

#[test]
fn a_sticking_valve_stays_behind_its_motor_and_jumps() {
    let mut engine = with_fault("sticking-idle-valve", 1.0, quiet(7, Start::Hot));
    let start = engine.valve.actual;
    let up = engine.valve.believed + 12;
    engine.control.hold(Some(up));
    engine.run(10.0);
    assert_eq!(engine.valve.believed, up);
    assert_eq!(engine.valve.actual, start, "inside the band it does not move");
    engine.control.hold(Some(up + 6));
    engine.run(10.0);
    assert!(engine.valve.actual > start + 10.0, "past the band it jumps: {}", engine.valve.actual);
}

#[test]
fn a_throttle_stop_lets_in_air_that_no_hand_shuts_off() {
    let mut engine = with_fault("throttle-stop", 1.0, right(7, Start::Hot));
    let volts = engine.readings(0).throttle_volts;
    let healthy = super::engine(&right(7, Start::Hot)).readings(0).throttle_volts;
    let degrees = (volts - healthy) / engine.parameters.throttle_slope;
    assert!((degrees - 2.5).abs() < 1e-6, "{degrees}");
    let fast = engine.run(30.0);
    assert!((WARM_IDLE + 80.0..WARM_IDLE + 500.0).contains(&fast), "{fast}");
    engine.push_plate_shut(engine.at, true);
    let pushed = engine.run(10.0);
    assert!((pushed - fast).abs() < 10.0);
}

#[test]
fn a_tight_cable_rests_anew_after_each_release_and_gives_way_to_a_hand() {
    let mut engine = with_fault("tight-cable", 1.0, right(7, Start::Hot));
    let mut rests = Vec::new();
    for _ in 0..6 {
        engine.press_pedal(engine.at, 0.05);
        engine.run(0.5);
        engine.press_pedal(engine.at, 0.0);
        engine.run(5.0);
        rests.push(engine.plate.opened);
    }
    assert!(rests.iter().all(|rest| (0.8..=2.0).contains(rest)), "{rests:?}");
    assert!(rests.windows(2).all(|two| two[0] != two[1]));
    engine.push_plate_shut(engine.at, true);
    engine.run(1.0);
    assert_eq!(engine.plate.opened, 0.0);
    engine.push_plate_shut(engine.at, false);
    engine.run(1.0);
    assert_eq!(engine.plate.opened, rests[5]);
}

#[test]
fn a_stuck_fast_idle_gives_way_to_a_pinched_hose() {
    let mut engine = with_fault("stuck-fast-idle", 1.0, right(7, Start::Hot));
    let fast = engine.run(30.0);
    assert!(fast > WARM_IDLE + 60.0, "{fast}");
    engine.control.hold(Some(30));
    let held = engine.run(20.0);
    engine.pinch(engine.at, Hose::ColdStartAir, true);
    let pinched = engine.run(20.0);
    assert!((330.0..450.0).contains(&(held - pinched)), "{held} {pinched}");
}

#[test]
fn a_worn_track_drops_out_only_where_and_while_the_plate_moves() {
    let dropouts = |severity: f64| {
        let mut engine = with_fault("worn-throttle-track", severity, right(7, Start::Hot));
        engine.run(5.0);
        assert_eq!(engine.throttle.dropout, 0.0, "at rest there is contact");
        let (mut seen, mut beyond) = (0, 0);
        for k in 0..200 {
            engine.press_pedal(engine.at, f64::from(k) * 0.004);
            for _ in 0..5 {
                engine.advance(engine.at + GRID);
                let dropped = engine.throttle.dropout > 0.0;
                seen += i32::from(dropped);
                beyond += i32::from(dropped && engine.plate.opened > engine.parameters.plate_span / 2.0);
                assert!(!dropped || (0.15..=0.4).contains(&engine.throttle.dropout));
            }
        }
        (seen, beyond)
    };
    assert_eq!(dropouts(0.0).0, 0);
    let (seen, beyond) = dropouts(1.0);
    assert!(seen > 20 && beyond == 0, "{seen} {beyond}");
}

#[test]
fn a_lean_engine_runs_rough_and_hunts() {
    let config = |name: &str| WorldConfig {
        faults: vec![Fault::new(name, 1.0)],
        seed: 5,
        screw_off_by: Some(0.0),
        start: Start::Hot,
        ..WorldConfig::default()
    };
    let spread = |engine: &mut Engine| {
        engine.run(10.0);
        let speeds: Vec<f64> = (0..4_000)
            .map(|_| {
                engine.advance(engine.at + GRID);
                engine.mean
            })
            .collect();
        let mean = speeds.iter().sum::<f64>() / 4_000.0;
        (speeds.iter().map(|s| (s - mean).powi(2)).sum::<f64>() / 4_000.0).sqrt()
    };
    let mut lean = engine(&config("lean"));
    let mut healthy = engine(&WorldConfig { faults: Vec::new(), ..config("lean") });
    assert!((lean.parameters.cyclic / healthy.parameters.cyclic - 4.0).abs() < 1e-9);
    let (rough, smooth) = (spread(&mut lean), spread(&mut healthy));
    assert!(rough > 2.0 * smooth, "{rough} {smooth}");
    assert!(lean.fuel.long + lean.fuel.short > 0.2);
}

#[test]
fn a_pocket_of_steam_makes_the_sensor_jump_low_at_times() {
    let mut engine = with_fault("coolant-air-pocket", 1.0, quiet(7, Start::Hot));
    let (mut low, mut jumps, mut before) = (0, 0, 0.0f64);
    for _ in 0..60_000 {
        engine.advance(engine.at + GRID);
        let now = engine.disturbance().coolant_low;
        assert!((0.0..=30.0).contains(&now));
        low += i32::from(now > 0.0);
        jumps += i32::from((now - before).abs() > 5.0);
        before = now;
    }
    assert!((6_000..45_000).contains(&low), "{low} of 60000 steps");
    assert!(jumps > 20, "{jumps}");
}
