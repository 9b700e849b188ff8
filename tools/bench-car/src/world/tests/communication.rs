use super::bench::{Bench, MS, SECOND, message, payload, with_checksum};
use crate::{Happened, Ignored, SessionState, Why, WorldConfig};

/// EU 2016/799, Annex IC, App. 7, 2.2.2 (READ, printed with checksums): StartCommunication of a controller
/// whose key bytes are EA 8F, a session, StopCommunication.
#[test]
fn the_published_exchange_to_the_byte() {
    let config = WorldConfig { address: 0xEE, key_bytes: [0xEA, 0x8F], ..WorldConfig::default() };
    let mut bench = Bench::new(config);
    bench.wake();
    let opened = bench.send(&[0x81, 0xEE, 0xF0, 0x81, 0xE0]).expect("an answer");
    assert_eq!(opened, [0x80, 0xF0, 0xEE, 0x03, 0xC1, 0xEA, 0x8F, 0x9B]);
    let session = bench.exchange(&[0x80, 0xEE, 0xF0, 0x02, 0x10, 0x81, 0xF1]).expect("an answer");
    assert_eq!(session, [0x80, 0xF0, 0xEE, 0x02, 0x50, 0x81, 0x31]);
    // EA 8F offers no length in the format byte (AL0 = 0): such a request is not taken.
    assert_eq!(bench.exchange(&with_checksum(vec![0x81, 0xEE, 0xF0, 0x3E])), None);
    assert_eq!(bench.ignored(), [Ignored::Form]);
    let stopped = bench.exchange(&[0x80, 0xEE, 0xF0, 0x01, 0x82, 0xE1]).expect("an answer");
    assert_eq!(stopped, [0x80, 0xF0, 0xEE, 0x01, 0xC2, 0x21]);
    assert_eq!(bench.world.truth().session, SessionState::Asleep);
}

/// EU 2016/799, Annex IC, App. 8 Tables 10 and 11 (READ, checksums computed).
#[test]
fn the_published_tester_present() {
    let config = WorldConfig { address: 0xEE, key_bytes: [0xEA, 0x8F], ..WorldConfig::default() };
    let mut bench = Bench::new(config);
    bench.wake();
    bench.send(&[0x81, 0xEE, 0xF1, 0x81, 0xE1]).expect("an answer");
    let present = bench.exchange(&[0x80, 0xEE, 0xF1, 0x02, 0x3E, 0x01, 0xA0]).expect("an answer");
    assert_eq!(present, [0x80, 0xF1, 0xEE, 0x01, 0x7E, 0xDE]);
    assert_eq!(bench.exchange(&[0x80, 0xEE, 0xF1, 0x02, 0x3E, 0x02, 0xA1]), None);
    assert!(matches!(bench.world.log().last(), Some(Happened::Request { .. })), "taken, and not answered");
}

#[test]
fn every_header_form_is_answered_in_its_own() {
    let mut bench = Bench::open(WorldConfig::default());
    // Without and with addresses, the length in the format byte or in its own.
    for (request, answer) in [
        (vec![0x01, 0x3E], vec![0x01, 0x7E]),
        (vec![0x00, 0x01, 0x3E], vec![0x00, 0x01, 0x7E]),
        (vec![0x81, 0x2A, 0xF1, 0x3E], vec![0x81, 0xF1, 0x2A, 0x7E]),
        (vec![0x80, 0x2A, 0xF1, 0x01, 0x3E], vec![0x80, 0xF1, 0x2A, 0x01, 0x7E]),
    ] {
        let heard = bench.exchange(&with_checksum(request)).expect("an answer");
        assert_eq!(heard, with_checksum(answer));
    }
    assert!(bench.violations().is_empty());
}

/// ISO 14230-4: emission-related systems are asked by the functional address 33 (form from memory).
#[test]
fn emission_services_answer_by_function_and_stay_silent_otherwise() {
    let mut bench = Bench::new(WorldConfig::default());
    bench.wake();
    let opened = bench.send(&[0xC1, 0x33, 0xF1, 0x81, 0x66]).expect("an answer");
    assert_eq!(opened, with_checksum(vec![0x83, 0xF1, 0x2A, 0xC1, 0xEF, 0x8F]));
    let speed = bench.exchange(&[0xC2, 0x33, 0xF1, 0x01, 0x0C, 0xF3]).expect("an answer");
    assert_eq!(&speed[..5], [0x84, 0xF1, 0x2A, 0x41, 0x0C]);
    let mask = bench.exchange(&[0xC2, 0x33, 0xF1, 0x01, 0x00, 0xE7]).expect("an answer");
    assert_eq!(payload(&mask), [0x41, 0x00, 0x1E, 0x36, 0x80, 0x01]);
    assert_eq!(bench.exchange(&with_checksum(vec![0xC2, 0x33, 0xF1, 0x01, 0x5C])), None);
    assert_eq!(bench.ask(&[0x01, 0x5C]), [0x7F, 0x01, 0x31], "asked by its own address it refuses aloud");
    assert_eq!(bench.exchange(&with_checksum(vec![0x81, 0x11, 0xF1, 0x3E])), None);
    assert_eq!(bench.ignored(), [Ignored::Foreign(0x11)]);
}

#[test]
fn without_waking_nothing_is_answered_unless_the_line_needs_none() {
    let start = message(0x2A, &[0x81]);
    let mut asleep = Bench::new(WorldConfig::default());
    assert_eq!(asleep.send(&start), None);
    assert_eq!(asleep.ignored(), [Ignored::NotOpen]);
    let mut awake = Bench::new(WorldConfig { awake: true, ..WorldConfig::default() });
    assert!(awake.exchange(&message(0x2A, &[0x21, 0xA1])).is_none(), "StartCommunication comes first");
    assert!(awake.exchange(&start).is_some());
    assert_eq!(awake.ask(&[0x3E]), [0x7E]);
}

/// A zero sent at 360 bit/s is low for start and eight data bits: 25 ms (arithmetic).
#[test]
fn a_slow_zero_wakes_as_well() {
    let mut bench = Bench::new(WorldConfig::default());
    let start = bench.now;
    assert_eq!(bench.world.set_baud(start, 360), 360);
    bench.world.write(start, 0);
    bench.wait(30 * MS);
    assert_eq!(bench.world.set_baud(bench.now, 10_400), 10_400);
    bench.wait(20 * MS);
    assert!(bench.send(&message(0x2A, &[0x81])).is_some());
    assert!(bench.world.log().contains(&Happened::Woken { at: start + 25 * MS }));
}

#[test]
fn sessions_codes_and_names() {
    let config = WorldConfig { stored_codes: vec![[0x01, 0x33]], ..WorldConfig::default() };
    let mut bench = Bench::open(config);
    assert_eq!(bench.ask(&[0x10, 0x81]), [0x50, 0x81]);
    assert_eq!(bench.ask(&[0x10, 0xC3]), [0x50, 0xC3]);
    assert_eq!(bench.world.truth().session, SessionState::SetUp);
    assert_eq!(bench.ask(&[0x10, 0x85]), [0x7F, 0x10, 0x12]);
    assert_eq!(bench.ask(&[0x20]), [0x60]);
    assert_eq!(bench.world.truth().session, SessionState::Standard);
    // 01 33 is P0133: SAE J1979 worked example, from memory.
    assert_eq!(bench.ask(&[0x18, 0x00, 0xFF, 0x00]), [0x58, 1, 0x01, 0x33, 0x20]);
    assert_eq!(bench.ask(&[0x03]), [0x43, 0x01, 0x33, 0, 0, 0, 0]);
    assert_eq!(bench.ask(&[0x14, 0xFF, 0x00]), [0x54, 0xFF, 0x00]);
    assert_eq!(bench.ask(&[0x18, 0x00, 0xFF, 0x00]), [0x58, 0]);
    let name = bench.ask(&[0x1A, 0x91]);
    assert!(name[2..].is_ascii() && name.len() > 6);
    assert_eq!(bench.ask(&[0x27, 0x01]), [0x7F, 0x27, 0x11]);
    assert_eq!(bench.ask(&[0x21]), [0x7F, 0x21, 0x12]);
    assert_eq!(bench.ask(&[0x21, 0x77]), [0x7F, 0x21, 0x31]);
    assert!(bench.violations().is_empty());
}

#[test]
fn more_than_three_codes_come_in_several_messages() {
    let stored_codes = vec![[1, 1], [1, 2], [1, 3], [1, 4]];
    let mut bench = Bench::open(WorldConfig { stored_codes, ..WorldConfig::default() });
    assert_eq!(bench.ask(&[0x03]), [0x43, 1, 1, 1, 2, 1, 3]);
    let second = bench.listen().expect("a second message");
    assert_eq!(payload(&second), [0x43, 1, 4, 0, 0, 0, 0]);
    assert_eq!(bench.ask(&[0x04]), [0x44]);
    assert_eq!(bench.ask(&[0x03]), [0x43, 0, 0, 0, 0, 0, 0]);
}

#[test]
fn the_key_ends_communication_and_three_hundred_ms_later_it_can_begin_again() {
    let mut bench = Bench::open(WorldConfig::default());
    bench.world.key(bench.now, false);
    bench.wait(SECOND);
    assert_eq!(bench.exchange(&message(0x2A, &[0x3E])), None);
    bench.wait(5 * SECOND);
    assert!(!bench.world.truth().running && bench.world.truth().rpm == 0.0);
    bench.world.key(bench.now, true);
    bench.wait(290 * MS);
    bench.wake();
    assert_eq!(bench.send(&message(0x2A, &[0x81])), None, "too soon after power on");
    bench.wait(SECOND);
    bench.wake();
    assert!(bench.send(&message(0x2A, &[0x81])).is_some());
    bench.world.crank(bench.now);
    for _ in 0..30 {
        bench.ask(&[0x21, 0xA2]);
    }
    assert!(bench.world.truth().running);
    assert!(bench.world.log().iter().any(|h| matches!(h, Happened::Closed { why: Why::KeyOff, .. })));
}

#[test]
fn a_low_stop_bit_spoils_a_message_whose_bytes_are_right() {
    let mut bench = Bench::open(WorldConfig::default());
    bench.wait(60 * MS);
    for byte in message(0x2A, &[0x3E]) {
        bench.world.write(bench.now, byte);
        bench.now += 6 * MS;
    }
    // The stop bit of the last byte is sampled 9.5 bits after its edge: 913 us at 10400 bit/s.
    let last = bench.now - 6 * MS;
    bench.world.set_level(last + 880_000, true);
    bench.world.set_level(last + 950_000, false);
    bench.wait(100 * MS);
    assert_eq!(bench.ignored(), [Ignored::Broken]);
    assert_eq!(bench.ask(&[0x3E]), [0x7E]);
}
