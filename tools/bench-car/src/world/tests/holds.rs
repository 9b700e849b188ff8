use super::bench::{Bench, SECOND, message};
use crate::{ControllerFault, Happened, Start, Why, WorldConfig};

fn hot() -> WorldConfig {
    WorldConfig { start: Start::Hot, ..WorldConfig::default() }
}

fn held(config: WorldConfig, steps: u8) -> Bench {
    let mut bench = Bench::set_up(config);
    assert_eq!(bench.ask(&[0x30, 0x51, 0x07, steps]), [0x70, 0x51, 0x07, steps]);
    assert_eq!(bench.world.truth().held, Some(steps));
    bench
}

fn releases(bench: &Bench) -> Vec<(i64, Why)> {
    let release = |happened: &Happened| match happened {
        Happened::Released { at, why } => Some((*at, *why)),
        _ => None,
    };
    bench.world.log().iter().filter_map(release).collect()
}

#[test]
fn a_hold_moves_the_valve_and_a_release_gives_it_back() {
    let mut bench = held(hot(), 70);
    for _ in 0..60 {
        bench.ask(&[0x21, 0xA1]);
    }
    let block = bench.ask(&[0x21, 0xA1]);
    assert_eq!((block[7], block[8]), (70, 0b10101));
    assert_eq!(bench.ask(&[0x30, 0x51, 0x01]), [0x70, 0x51, 0x01, 70, 1]);
    let truth = bench.world.truth();
    assert!(truth.mean_rpm > 1_000.0, "{}", truth.mean_rpm);
    assert_eq!(bench.ask(&[0x30, 0x51, 0x00]), [0x70, 0x51, 0x00]);
    assert_eq!(bench.world.truth().held, None);
    assert!(matches!(releases(&bench)[..], [(_, Why::Request)]));
    let block = bench.ask(&[0x21, 0xA1]);
    assert_eq!(block[8], 0b10110, "idle control, running, throttle recognised closed");
    let held = bench.world.log().iter().find(|h| matches!(h, Happened::Held { steps: 70, .. }));
    assert!(held.is_some());
}

#[test]
fn holds_are_refused_outside_their_session_and_range_and_with_a_standing_engine() {
    let mut bench = Bench::open(hot());
    assert_eq!(bench.ask(&[0x30, 0x51, 0x07, 30]), [0x7F, 0x30, 0x80]);
    assert_eq!(bench.ask(&[0x10, 0xC3]), [0x50, 0xC3]);
    assert_eq!(bench.ask(&[0x30, 0x51, 0x07, 121]), [0x7F, 0x30, 0x31]);
    assert_eq!(bench.ask(&[0x30, 0x52, 0x07, 30]), [0x7F, 0x30, 0x31]);
    assert_eq!(bench.ask(&[0x30, 0x51, 0x03, 30]), [0x7F, 0x30, 0x12], "ISO 14229's code is not this one");
    assert_eq!(bench.ask(&[0x30, 0x51, 0x07]), [0x7F, 0x30, 0x12]);
    assert_eq!(bench.world.truth().held, None);
    bench.world.key(bench.now, false);
    bench.wait(3 * SECOND);
    bench.world.key(bench.now, true);
    bench.wait(SECOND);
    bench.wake();
    bench.send(&message(0x2A, &[0x81])).expect("an answer");
    assert_eq!(bench.ask(&[0x10, 0xC3]), [0x50, 0xC3]);
    assert_eq!(bench.ask(&[0x30, 0x51, 0x07, 30]), [0x7F, 0x30, 0x22]);
}

#[test]
fn without_requests_the_controller_lets_go_after_p3max() {
    let mut bench = held(hot(), 50);
    let last = bench.now;
    bench.world.cut(last, true);
    for _ in 0..40 {
        bench.exchange(&message(0x2A, &[0x3E]));
    }
    let released = releases(&bench);
    assert!(
        matches!(released[..], [(at, Why::Timeout)] if at - last >= 5 * SECOND && at - last < 5 * SECOND + SECOND / 100)
    );
}

#[test]
fn keep_alives_keep_a_hold() {
    let mut bench = held(hot(), 50);
    bench.patience = 0;
    for _ in 0..10 {
        bench.p3 = 4 * SECOND;
        assert_eq!(bench.exchange(&message(0x2A, &[0x3E, 0x02])), None);
    }
    assert_eq!(bench.world.truth().held, Some(50));
    assert!(bench.violations().is_empty());
}

#[test]
fn every_other_way_out_lets_go() {
    let mut stopped = held(hot(), 50);
    assert_eq!(stopped.ask(&[0x82]), [0xC2]);
    assert!(matches!(releases(&stopped)[..], [(_, Why::StopCommunication)]));

    let mut left = held(hot(), 50);
    assert_eq!(left.ask(&[0x10, 0xC3]), [0x50, 0xC3]);
    assert_eq!(left.world.truth().held, Some(50), "the same session again changes nothing");
    assert_eq!(left.ask(&[0x10, 0x81]), [0x50, 0x81]);
    assert!(matches!(releases(&left)[..], [(_, Why::SessionChange)]));

    let mut off = held(hot(), 50);
    off.world.key(off.now, false);
    assert_eq!(releases(&off), [(off.now, Why::KeyOff)]);

    let mut reset = held(hot(), 50);
    reset.world.controller_fault(reset.now, ControllerFault::Reset);
    assert_eq!(releases(&reset), [(reset.now, Why::Reset)]);
    assert_eq!(reset.exchange(&message(0x2A, &[0x3E])), None);

    let mut woken = held(hot(), 50);
    woken.wait(SECOND);
    woken.wake();
    assert!(woken.send(&message(0x2A, &[0x81])).is_some());
    assert!(matches!(releases(&woken)[..], [(_, Why::SessionChange)]));
}
