use super::bench::{Bench, SECOND};
use crate::{AirMeasurement, Fault, Happened, Readings, Rounding, Start, WorldConfig};

fn samples(bench: &Bench) -> Vec<(Readings, Readings)> {
    let sample = |happened: &Happened| match happened {
        Happened::Sampled { truth, analog, .. } => Some((*truth, *analog)),
        _ => None,
    };
    bench.world.log().iter().filter_map(sample).collect()
}

/// Counts against the analogue value: nearest within half a count, down within the count below (definition).
#[test]
fn counts_agree_with_what_the_converter_saw() {
    for rounding in [Rounding::Nearest, Rounding::Down] {
        let config = WorldConfig { rounding, seed: 21, ..WorldConfig::default() };
        let mut bench = Bench::open(config);
        for _ in 0..300 {
            let block = bench.ask(&[0x21, 0xA1]);
            let (_, analog) = *samples(&bench).last().expect("a sample");
            let speed = f64::from(u16::from_be_bytes([block[2], block[3]])) * 0.5;
            assert!((speed - analog.rpm).abs() <= 0.25 + 1e-9);
            let scaled = [
                (block[4], analog.throttle_volts / 5.0 * 255.0),
                (block[5], (analog.coolant + 40.0) / 0.8),
                (block[6], analog.battery / 20.0 * 255.0),
            ];
            for (count, exact) in scaled {
                let over = exact - f64::from(count);
                let fits = match rounding {
                    Rounding::Nearest => over.abs() <= 0.5 + 1e-9,
                    Rounding::Down => (-1e-9..1.0 + 1e-9).contains(&over),
                };
                assert!(fits, "{rounding:?}: {count} for {exact}");
            }
        }
    }
}

#[test]
fn sensor_noise_has_the_drawn_spread_about_the_drawn_offset() {
    let mut bench = Bench::open(WorldConfig { seed: 4, start: Start::Hot, ..WorldConfig::default() });
    for _ in 0..2_000 {
        bench.ask(&[0x21, 0xA1]);
    }
    let p = bench.world.parameters().clone();
    let samples = samples(&bench);
    let n = samples.len() as f64;
    for (spread, offset, of) in [
        (p.throttle_noise, 0.0, (|r: &Readings| r.throttle_volts) as fn(&Readings) -> f64),
        (p.coolant_noise, p.coolant_error, |r| r.coolant),
        (p.battery_noise, p.battery_error, |r| r.battery),
        (p.rpm_noise, p.rpm_error, |r| r.rpm),
    ] {
        let errors: Vec<f64> =
            samples.iter().map(|(truth, analog)| of(analog) - of(truth) - offset).collect();
        let mean = errors.iter().sum::<f64>() / n;
        let seen = (errors.iter().map(|e| e * e).sum::<f64>() / n).sqrt();
        // Five standard deviations of mean and of standard deviation of n normal draws.
        assert!(mean.abs() < 5.0 * spread / n.sqrt(), "{mean} {spread}");
        assert!((seen / spread - 1.0).abs() < 5.0 / (2.0 * n).sqrt(), "{seen} {spread}");
    }
}

#[test]
fn blocks_agree_with_each_other() {
    let mut bench =
        Bench::open(WorldConfig { noise_scale: 0.0, start: Start::Hot, ..WorldConfig::default() });
    for _ in 0..400 {
        bench.ask(&[0x3E]);
    }
    let long = bench.ask(&[0x21, 0xA1]);
    let short = bench.ask(&[0x21, 0xA2]);
    assert_eq!(short.len(), 5);
    assert_eq!((long[2], long[3], long[8]), (short[2], short[3], short[4]));
    assert_eq!(bench.ask(&[0x22, 0x41, 0x07]), [0x62, 0x41, 0x07, long[6]]);
    let speed = bench.ask(&[0x01, 0x0C]);
    let quarter = u16::from_be_bytes([speed[2], speed[3]]);
    let half = u16::from_be_bytes([long[2], long[3]]);
    assert!(i32::from(quarter).abs_diff(2 * i32::from(half)) <= 2);
    assert_eq!(long[7], bench.world.truth().valve_believed);
}

#[test]
fn air_is_measured_the_configured_way() {
    let mut pressure = Bench::open(WorldConfig { start: Start::Hot, ..WorldConfig::default() });
    let answer = pressure.ask(&[0x01, 0x0B]);
    assert!((25..45).contains(&answer[2]), "a vacuum at idle: {answer:?}");
    assert_eq!(pressure.ask(&[0x01, 0x10]), [0x7F, 0x01, 0x31]);
    let air = AirMeasurement::Mass;
    let mut mass = Bench::open(WorldConfig { start: Start::Hot, air, ..WorldConfig::default() });
    let answer = mass.ask(&[0x01, 0x10]);
    let flow = f64::from(u16::from_be_bytes([answer[2], answer[3]])) / 100.0;
    assert!((1.0..6.0).contains(&flow), "{flow}");
    assert_eq!(mass.ask(&[0x01, 0x0B]), [0x7F, 0x01, 0x31]);
}

#[test]
fn faults_show_in_data_and_codes() {
    let with = |name: &str| {
        let faults = vec![Fault::new(name, 1.0)];
        let mut bench = Bench::open(WorldConfig { faults, start: Start::Hot, ..WorldConfig::default() });
        for _ in 0..200 {
            bench.ask(&[0x21, 0xA1]);
        }
        let codes = bench.ask(&[0x18, 0x00, 0xFF, 0x00]);
        assert_eq!(codes[1], 1, "{name} stores one code");
        (bench, codes[2..4].to_vec())
    };
    let (noisy, code) = with("noisy-sensor");
    // SAE J2012 generic codes, from memory.
    assert_eq!(code, [0x01, 0x20]);
    let volts: Vec<f64> =
        samples(&noisy).iter().map(|(truth, analog)| analog.throttle_volts - truth.throttle_volts).collect();
    let spread = (volts.iter().map(|v| v * v).sum::<f64>() / volts.len() as f64).sqrt();
    assert!(spread > 0.04, "several counts of 20 mV: {spread}");
    let (mut weak, code) = with("weak-battery");
    assert_eq!(code, [0x05, 0x62]);
    assert!(f64::from(weak.ask(&[0x22, 0x41, 0x07])[3]) * 20.0 / 255.0 < 13.2);
    assert_eq!(weak.ask(&[0x04]), [0x44]);
    assert_eq!(weak.ask(&[0x18, 0x00, 0xFF, 0x00]), [0x58, 0]);
    for _ in 0..16 {
        weak.p3 = 4 * SECOND;
        weak.ask(&[0x3E]);
    }
    assert_eq!(weak.ask(&[0x18, 0x00, 0xFF, 0x00])[1], 1, "a fault still there stores its code again");
    assert_eq!(with("thermostat-open").1, [0x01, 0x28]);
    assert_eq!(with("sticking-idle-valve").1, [0x05, 0x05]);
}

#[test]
fn hands_on_the_car_are_seen_on_the_wire() {
    let mut bench =
        Bench::set_up(WorldConfig { start: Start::Hot, noise_scale: 0.0, ..WorldConfig::default() });
    assert_eq!(bench.ask(&[0x30, 0x51, 0x07, 30])[0], 0x70);
    for _ in 0..60 {
        bench.ask(&[0x21, 0xA1]);
    }
    let before = bench.world.truth();
    bench.world.turn_screw(bench.now, 0.5);
    let p = bench.world.parameters();
    let degrees = 0.1 / (p.throttle_direction * p.throttle_slope);
    bench.world.turn_throttle_sensor(bench.now, degrees);
    for _ in 0..60 {
        bench.ask(&[0x21, 0xA1]);
    }
    let after = bench.world.truth();
    let gained = bench.world.parameters().rpm_per_turn * 0.5;
    assert!((after.mean_rpm - before.mean_rpm - gained).abs() < 1.0, "{gained}");
    let block = bench.ask(&[0x21, 0xA1]);
    assert!((f64::from(block[4]) * 5.0 / 255.0 - before.throttle_volts - 0.1).abs() < 0.011);
    bench.world.set_load(bench.now, 1.0);
    for _ in 0..60 {
        bench.ask(&[0x21, 0xA1]);
    }
    let loaded = bench.world.truth();
    assert!(loaded.mean_rpm < after.mean_rpm - 50.0 && loaded.battery < after.battery - 0.3);
}
