use super::bench::{Bench, MS, SECOND, message};
use crate::{Happened, Ignored, SessionState, Why, World, WorldConfig};

fn pulse(world: &mut World, start: i64, low: i64) {
    world.set_level(start, true);
    world.set_level(start + low, false);
}

/// EU 2016/799, Annex IC, App. 8 Table 3 (READ): TiniL is 24 to 26 ms.
#[test]
fn only_a_pulse_of_24_to_26_ms_wakes() {
    for (low, wakes) in
        [(23_900_000, false), (24 * MS, true), (25 * MS, true), (26 * MS, true), (26_100_000, false)]
    {
        let mut bench = Bench::new(WorldConfig::default());
        pulse(&mut bench.world, bench.now, low);
        bench.world.advance(bench.now + 30 * MS);
        let expected = if wakes { SessionState::Roused } else { SessionState::Asleep };
        assert_eq!(bench.world.truth().session, expected, "{low}");
        let ignored = if wakes { vec![] } else { vec![Ignored::Pulse(low)] };
        assert_eq!(bench.ignored(), ignored);
    }
}

/// EU 2016/799, Annex IC, App. 8 Table 3 and CPR_016 (READ): TWuP is 49 to 51 ms from the first falling edge
/// to the first bit of StartCommunication.
#[test]
fn start_communication_is_due_50_ms_after_the_falling_edge() {
    for (after, opens) in [(48_900_000, false), (49 * MS, true), (51 * MS, true), (51_200_000, false)] {
        let mut bench = Bench::new(WorldConfig::default());
        let edge = bench.now;
        pulse(&mut bench.world, edge, 25 * MS);
        bench.now = edge + after;
        bench.world.read(bench.now, &mut bench.heard);
        assert_eq!(bench.send(&message(0x2A, &[0x81])).is_some(), opens, "{after}");
    }
}

#[test]
fn answers_come_within_p2_and_their_bytes_follow_within_p1() {
    let mut bench = Bench::open(WorldConfig::default());
    for _ in 0..200 {
        bench.ask(&[0x21, 0xA1]);
        let gaps = bench.heard.windows(2).map(|two| two[1].start - two[0].end);
        assert!(gaps.into_iter().all(|gap| (0..=20 * MS).contains(&gap)));
    }
    let mut ended = 0;
    let mut delays = Vec::new();
    for happened in bench.world.log() {
        match happened {
            Happened::Request { at, .. } => ended = *at,
            Happened::Sent { start, .. } => delays.push(start - ended),
            Happened::Sampled { at, .. } => assert!(*at > ended && *at < ended + 50 * MS),
            _ => {}
        }
    }
    assert_eq!(delays.len(), 201);
    // P2 is 25 to 50 ms in the normal set (ISO 14230-2:1999, from memory).
    assert!(delays.iter().all(|delay| (25 * MS..=50 * MS).contains(delay)), "{delays:?}");
    assert!(delays.iter().max() > delays.iter().min());
}

/// EU 2016/799, Annex IC, App. 8 Table 4 (READ): P3min 55 ms, P4 5 to 20 ms.
#[test]
fn hurried_requests_are_ignored_and_noted() {
    let mut bench = Bench::open(WorldConfig::default());
    bench.p3 = 54 * MS;
    assert_eq!(bench.exchange(&message(0x2A, &[0x3E])), None);
    assert!(matches!(bench.ignored()[..], [Ignored::P3Min(gap)] if gap == 54 * MS), "{:?}", bench.ignored());
    bench.p3 = 55 * MS;
    bench.p4 = 4 * MS;
    assert_eq!(bench.exchange(&message(0x2A, &[0x3E])), None);
    assert!(matches!(bench.ignored()[1..], [Ignored::P4Min(gap)] if (gap - 4 * MS).abs() < 1_000));
    bench.p4 = 21 * MS;
    assert_eq!(bench.exchange(&message(0x2A, &[0x3E])), None);
    assert!(bench.ignored()[2..].iter().all(|why| matches!(why, Ignored::Unfinished | Ignored::Broken)));
    bench.p4 = 20 * MS;
    bench.wait(SECOND / 10);
    assert_eq!(bench.ask(&[0x3E]), [0x7E]);
}

#[test]
fn a_request_during_the_answer_is_noted() {
    let mut bench = Bench::open(WorldConfig::default());
    bench.patience = 0;
    bench.exchange(&message(0x2A, &[0x3E]));
    bench.send(&message(0x2A, &[0x3E]));
    bench.wait(SECOND);
    assert!(bench.violations().iter().any(|why| matches!(why, Ignored::P3Min(_))), "{:?}", bench.ignored());
}

/// EU 2016/799, Annex IC, App. 8 Table 4 (READ): P3max is 5 s.
#[test]
fn communication_ends_five_seconds_after_the_last_answer() {
    let mut bench = Bench::open(WorldConfig::default());
    bench.ask(&[0x3E]);
    let quiet = bench.now;
    bench.p3 = 5 * SECOND - MS / 2;
    assert_eq!(bench.ask(&[0x3E]), [0x7E], "a request that begins just in time is answered");
    let last = bench.now;
    bench.wait(5 * SECOND + 10 * MS);
    assert_eq!(bench.world.truth().session, SessionState::Asleep);
    let closed = bench.world.log().iter().find_map(|happened| match happened {
        Happened::Closed { at, why: Why::Timeout } => Some(*at),
        _ => None,
    });
    let after = closed.expect("closed by time-out") - last;
    assert!((5 * SECOND..5 * SECOND + 2 * MS).contains(&after), "{after}");
    assert!(last > quiet);
    // After a time-out no idle time is needed (CPR_017).
    bench.wake();
    assert!(bench.send(&message(0x2A, &[0x81])).is_some());
}

/// ISO 14230-2:1999 5.3, from memory: TPI 00 limits, 01 default, 02 current, 03 set.
#[test]
fn access_timing_is_read_set_and_taken_back() {
    let mut bench = Bench::open(WorldConfig::default());
    assert_eq!(bench.ask(&[0x83, 0x02]), [0xC3, 0x02, 0x32, 0x02, 0x6E, 0x14, 0x0A]);
    assert_eq!(bench.ask(&[0x83, 0x00]), [0xC3, 0x00, 0x00, 0x01, 0x01, 0x14, 0x00]);
    let fast = [0x83, 0x03, 0x02, 0x01, 0x04, 0x14, 0x00];
    assert_eq!(bench.ask(&fast), [0xC3, 0x03]);
    bench.p3 = 2 * MS;
    bench.p4 = 0;
    for _ in 0..50 {
        assert_eq!(bench.ask(&[0x3E]), [0x7E]);
    }
    assert!(bench.violations().is_empty(), "{:?}", bench.violations());
    let delay = bench.world.log().iter().rev().find_map(|happened| match happened {
        Happened::Sent { start, .. } => Some(*start),
        _ => None,
    });
    let request = bench.world.truth().last_request;
    let delay = delay.expect("sent") - request.expect("asked");
    assert!((MS..=25 * MS).contains(&delay), "{delay}");
    assert_eq!(bench.ask(&[0x83, 0x03, 0x02, 0x01, 0x04, 0xFF, 0x00]), [0x7F, 0x83, 0x31], "never endless");
    assert_eq!(bench.ask(&[0x83, 0x01]), [0xC3, 0x01]);
    assert_eq!(bench.exchange(&message(0x2A, &[0x3E])), None, "the default timing is back");
    assert!(matches!(bench.violations()[..], [Ignored::P3Min(_)]));
}

#[test]
fn key_bytes_choose_the_extended_set() {
    // D9 8F is keyword 2009: length in the format byte, addresses, extended timing (from memory).
    let mut bench = Bench::new(WorldConfig { key_bytes: [0xD9, 0x8F], ..WorldConfig::default() });
    bench.wake();
    bench.send(&message(0x2A, &[0x81])).expect("an answer");
    // P2 20 to 1000, P3 10 to 5000, P4 5 ms: EU 2016/799, Annex IC, App. 7, 2.2.4 (READ).
    assert_eq!(bench.ask(&[0x83, 0x02]), [0xC3, 0x02, 0x28, 0x28, 0x14, 0x14, 0x0A]);
}

#[test]
fn a_wake_up_needs_an_idle_line_after_stop_communication() {
    let mut bench = Bench::open(WorldConfig::default());
    assert_eq!(bench.ask(&[0x82]), [0xC2]);
    bench.wait(40 * MS);
    bench.wake();
    assert_eq!(bench.send(&message(0x2A, &[0x81])), None);
    assert!(matches!(bench.violations()[..], [Ignored::NoIdle(_)]), "{:?}", bench.ignored());
    bench.wait(60 * MS);
    bench.wake();
    assert!(bench.send(&message(0x2A, &[0x81])).is_some());
}
