use super::bench::{Bench, MS, SECOND, message};
use crate::{AirMeasurement, Fault, Happened, Manners, Start, Why, WorldConfig};

fn hot(manners: Manners) -> WorldConfig {
    WorldConfig { start: Start::Hot, manners, ..WorldConfig::default() }
}

#[test]
fn some_refuse_reading_while_the_valve_is_held() {
    let manners = Manners { refuses_reading_while_held: true, ..Manners::default() };
    let mut bench = Bench::set_up(hot(manners));
    assert_eq!(bench.ask(&[0x21, 0xA1])[0], 0x61);
    assert_eq!(bench.ask(&[0x30, 0x51, 0x07, 50]), [0x70, 0x51, 0x07, 50]);
    assert_eq!(bench.ask(&[0x21, 0xA1]), [0x7F, 0x21, 0x22]);
    assert_eq!(bench.ask(&[0x22, 0x41, 0x07]), [0x7F, 0x22, 0x22]);
    assert_eq!(bench.ask(&[0x01, 0x0C]), [0x7F, 0x01, 0x22]);
    assert_eq!(bench.ask(&[0x3E]), [0x7E]);
    assert_eq!(bench.ask(&[0x30, 0x51, 0x07, 52]), [0x70, 0x51, 0x07, 52]);
    assert_eq!(bench.ask(&[0x30, 0x51, 0x00]), [0x70, 0x51, 0x00]);
    assert_eq!(bench.ask(&[0x21, 0xA1])[0], 0x61);
}

#[test]
fn some_keep_the_valves_position_to_themselves() {
    let mut bench = Bench::open(hot(Manners { reports_valve: false, ..Manners::default() }));
    assert_eq!(bench.ask(&[0x21, 0xA1])[7], 0xFF);
}

#[test]
fn the_throttle_can_be_read_alone() {
    let mut bench = Bench::open(WorldConfig { noise_scale: 0.0, ..hot(Manners::default()) });
    let block = bench.ask(&[0x21, 0xA1]);
    assert_eq!(bench.ask(&[0x22, 0x41, 0x11]), [0x62, 0x41, 0x11, block[4]]);
    assert_eq!(bench.ask(&[0x22, 0x41, 0x12]), [0x7F, 0x22, 0x31]);
}

#[test]
fn the_status_tells_of_throttle_switch_and_fan() {
    const FAN: u8 = 1 << 3;
    const CLOSED: u8 = 1 << 4;
    const SWITCH: u8 = 1 << 5;
    for closed_switch in [false, true] {
        let mut bench = Bench::open(hot(Manners { closed_switch, ..Manners::default() }));
        let switch = if closed_switch { SWITCH } else { 0 };
        assert_eq!(bench.ask(&[0x21, 0xA2])[4] & (CLOSED | SWITCH), CLOSED | switch);
        bench.world.press_pedal(bench.now, 0.1);
        bench.wait(SECOND);
        let status = bench.ask(&[0x21, 0xA2])[4];
        assert_eq!(status & (CLOSED | SWITCH | 0b110), 0b100, "open, running, no idle control");
        bench.world.press_pedal(bench.now, 0.0);
        bench.wait(SECOND);
        assert_eq!(bench.ask(&[0x21, 0xA2])[4] & (CLOSED | SWITCH), CLOSED | switch);
    }
    let mut bench = Bench::open(hot(Manners::default()));
    let (mut on, mut off) = (0, 0);
    bench.p3 = 2 * SECOND;
    for _ in 0..1_500 {
        let status = bench.ask(&[0x21, 0xA2])[4];
        let truth = bench.world.truth();
        on += i32::from(status & FAN != 0);
        off += i32::from(status & FAN == 0);
        assert!(status & FAN == 0 || truth.coolant > 90.0);
    }
    assert!(on > 10 && off > 10, "the fan cycles: {on} {off}");
}

/// SAE J1979 / ISO 15031-5 (READ): trims are (A - 128) 100/128 per cent.
#[test]
fn trims_are_told_where_there_are_any() {
    let lean = || vec![Fault::new("lean", 0.4)];
    let mut bench = Bench::open(WorldConfig { faults: lean(), ..hot(Manners::default()) });
    let trim = |answer: &[u8]| (f64::from(answer[2]) - 128.0) * 100.0 / 128.0;
    let (short, long) = (trim(&bench.ask(&[0x01, 0x06])), trim(&bench.ask(&[0x01, 0x07])));
    let truth = bench.world.truth();
    assert!((long - 100.0 * truth.trims.1).abs() < 1.0, "{long} {:?}", truth.trims);
    // A tenth less fuel needs a ninth more.
    assert!((4.0..20.0).contains(&(short + long)), "{short} {long}");
    let mut without = Bench::open(WorldConfig {
        faults: lean(),
        ..hot(Manners { has_trims: false, ..Manners::default() })
    });
    assert_eq!(without.ask(&[0x01, 0x06]), [0x7F, 0x01, 0x31]);
    assert_eq!(without.ask(&[0x01, 0x07]), [0x7F, 0x01, 0x31]);
    assert_eq!(without.ask(&[0x01, 0x00])[2], 0x18);
}

/// SAE J1979 service 02 (form from memory): identifier and frame come back before the data.
#[test]
fn a_freeze_frame_tells_what_was_so() {
    let mut clean = Bench::open(hot(Manners::default()));
    assert_eq!(clean.ask(&[0x02, 0x02, 0x00]), [0x42, 0x02, 0x00, 0x00, 0x00]);
    assert_eq!(clean.ask(&[0x02, 0x05, 0x00]), [0x7F, 0x02, 0x31]);
    assert_eq!(clean.ask(&[0x02, 0x05]), [0x7F, 0x02, 0x12]);

    let config = WorldConfig {
        faults: vec![Fault::new("air-leak", 1.0)],
        air: AirMeasurement::Mass,
        ..hot(Manners::default())
    };
    let mut bench = Bench::open(config);
    assert_eq!(bench.ask(&[0x02, 0x00, 0x00]), [0x42, 0x00, 0x00, 0x5E, 0x17, 0x80, 0x00]);
    // P0171, too lean (SAE J2012, from memory).
    assert_eq!(bench.ask(&[0x02, 0x02, 0x00]), [0x42, 0x02, 0x00, 0x01, 0x71]);
    assert_eq!(bench.ask(&[0x02, 0x02, 0x01]), [0x7F, 0x02, 0x31], "there is one frame");
    let coolant = bench.ask(&[0x02, 0x05, 0x00]);
    assert!((75..100).contains(&(i32::from(coolant[3]) - 40)), "{coolant:?}");
    let speed = |answer: &[u8]| f64::from(u16::from_be_bytes([answer[3], answer[4]])) / 4.0;
    let frozen = speed(&bench.ask(&[0x02, 0x0C, 0x00]));
    assert!((700.0..1_300.0).contains(&frozen), "{frozen}");
    bench.wait(SECOND);
    assert_eq!(speed(&bench.ask(&[0x02, 0x0C, 0x00])), frozen, "frozen");
    for identifier in [0x04, 0x06, 0x07, 0x0E, 0x0F, 0x11] {
        assert_eq!(bench.ask(&[0x02, identifier, 0x00]).len(), 4, "{identifier:02X}");
    }
    assert_eq!(bench.ask(&[0x02, 0x10, 0x00]).len(), 5);
    assert_eq!(bench.ask(&[0x02, 0x0B, 0x00]), [0x7F, 0x02, 0x31]);

    // Cleared, it is gone; the fault stores it anew, with what is so then.
    assert_eq!(bench.ask(&[0x04]), [0x44]);
    assert_eq!(bench.ask(&[0x02, 0x02, 0x00]), [0x42, 0x02, 0x00, 0x00, 0x00]);
    bench.p3 = 2 * SECOND;
    bench.world.press_pedal(bench.now, 0.12);
    for _ in 0..31 {
        bench.ask(&[0x3E]);
    }
    assert_eq!(bench.ask(&[0x02, 0x02, 0x00]), [0x42, 0x02, 0x00, 0x01, 0x71]);
    let frozen = speed(&bench.ask(&[0x02, 0x0C, 0x00]));
    assert!(frozen > 1_500.0, "the throttle was open when it came back: {frozen}");
}

#[test]
fn left_over_codes_have_a_frame_until_cleared() {
    let mut bench = Bench::open(WorldConfig { stored_codes: vec![[0x01, 0x31]], ..hot(Manners::default()) });
    assert_eq!(bench.ask(&[0x02, 0x02, 0x00]), [0x42, 0x02, 0x00, 0x01, 0x31]);
    assert_eq!(bench.ask(&[0x04]), [0x44]);
    assert_eq!(bench.ask(&[0x02, 0x02, 0x00]), [0x42, 0x02, 0x00, 0x00, 0x00]);
}

#[test]
fn the_key_takes_the_controller_down_and_brings_it_back_300_ms_later() {
    let mut bench = Bench::open(hot(Manners::default()));
    bench.world.key(bench.now, false);
    bench.wait(2 * SECOND);
    assert_eq!(bench.exchange(&message(0x2A, &[0x3E])), None);
    bench.world.key(bench.now, true);
    bench.wait(310 * MS);
    bench.wake();
    assert!(bench.send(&message(0x2A, &[0x81])).is_some());
    let block = bench.ask(&[0x21, 0xA1]);
    assert_eq!((block[2], block[3]), (0, 0), "the engine stands");
    assert_eq!(block[8] & 0b110, 0);
    bench.world.crank(bench.now);
    bench.wait(3 * SECOND);
    let block = bench.ask(&[0x21, 0xA1]);
    assert_eq!(block[8] & 0b100, 0b100, "a good battery keeps the link through the start");
}

#[test]
fn a_weak_battery_drops_the_link_while_cranking() {
    let mut bench = Bench::open(WorldConfig {
        start: Start::StandingWarm,
        faults: vec![Fault::new("weak-battery", 1.0)],
        ..WorldConfig::default()
    });
    assert_eq!(bench.ask(&[0x3E]), [0x7E]);
    bench.world.crank(bench.now);
    bench.wait(SECOND / 2);
    assert_eq!(bench.exchange(&message(0x2A, &[0x3E])), None);
    let reset = |h: &Happened| matches!(h, Happened::Closed { why: Why::Reset, .. });
    assert!(bench.world.log().iter().any(reset));
    for _ in 0..6 {
        bench.wait(5 * SECOND);
        bench.world.crank(bench.now);
    }
    bench.wait(5 * SECOND);
    assert!(bench.world.truth().running);
    bench.wake();
    assert!(bench.send(&message(0x2A, &[0x81])).is_some(), "it can be opened anew");
}
