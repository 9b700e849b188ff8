use proptest::prelude::*;

use super::*;

const MS: i64 = 1_000_000;
/// 10 bits at 10400 bit/s.
const CHARACTER: i64 = 961_538;

fn heard(line: &mut Line, at: End, now: i64) -> Vec<Arrival> {
    let mut into = Vec::new();
    line.read(at, now, &mut into);
    into
}

fn bytes(arrivals: &[Arrival]) -> Vec<u8> {
    arrivals.iter().map(|a| a.byte).collect()
}

#[test]
fn a_character_arrives_after_exactly_ten_bits_and_echoes() {
    let mut line = Line::new(&LineConfig::default());
    assert_eq!(line.write(End::Tester, 0, 0x81), (0, CHARACTER));
    assert_eq!(line.write(End::Tester, 5, 0x2A).0, CHARACTER, "the second waits for the first");
    assert_eq!(line.next_event(End::Controller), Some(CHARACTER));
    assert!(heard(&mut line, End::Controller, CHARACTER - 1).is_empty());
    let first = Arrival { byte: 0x81, start: 0, end: CHARACTER, framing_error: false };
    assert_eq!(heard(&mut line, End::Controller, CHARACTER), [first]);
    assert_eq!(bytes(&heard(&mut line, End::Tester, 2 * CHARACTER)), [0x81, 0x2A]);
    assert_eq!(bytes(&heard(&mut line, End::Controller, 2 * CHARACTER)), [0x2A]);
    assert_eq!(line.next_event(End::Controller), None);
}

#[test]
fn without_echo_only_the_far_end_is_heard() {
    let mut line = Line::new(&LineConfig { echo: false, ..LineConfig::default() });
    line.write(End::Tester, 0, 0x55);
    line.write(End::Controller, 10 * MS, 0xAA);
    assert_eq!(bytes(&heard(&mut line, End::Tester, 20 * MS)), [0xAA]);
    assert_eq!(bytes(&heard(&mut line, End::Controller, 20 * MS)), [0x55], "a controller never hears itself");
}

/// ISO 14230-2 fast wake-up: 25 ms low, as a level or as a zero at 360 bit/s (start and eight data bits).
#[test]
fn a_wake_up_pulse_is_the_same_by_level_and_by_a_slow_zero() {
    let pulse = LowPulse { start: 5 * MS, end: 30 * MS };
    let mut by_level = Line::new(&LineConfig::default());
    by_level.set_level(End::Tester, 5 * MS, true);
    assert_eq!(by_level.take_pulse(End::Controller, 29 * MS), None);
    by_level.set_level(End::Tester, 30 * MS, false);
    assert_eq!(by_level.take_pulse(End::Controller, 30 * MS), Some(pulse));

    let mut by_zero = Line::new(&LineConfig::default());
    assert_eq!(by_zero.set_baud(End::Tester, 0, 360), 360);
    by_zero.write(End::Tester, 5 * MS, 0);
    assert_eq!(by_zero.take_pulse(End::Controller, 40 * MS), Some(pulse));
    assert_eq!(bytes(&heard(&mut by_zero, End::Tester, 40 * MS)), [0], "its own rate hears a plain zero");
    let at_controller = heard(&mut by_zero, End::Controller, 40 * MS);
    assert!(at_controller.iter().all(|a| a.byte == 0 && a.framing_error) && at_controller.len() == 1);
}

#[test]
fn ordinary_characters_are_no_pulses() {
    let mut line = Line::new(&LineConfig::default());
    for byte in 0..=255 {
        line.write(End::Tester, 0, byte);
    }
    let arrivals = heard(&mut line, End::Controller, 300 * MS);
    assert_eq!(bytes(&arrivals), (0..=255).collect::<Vec<u8>>());
    assert_eq!(line.take_pulse(End::Controller, 300 * MS), None);
}

/// Sampling 9.5 bits after the edge leaves half a bit, so rates may differ by 1/19 = 5.3 % (arithmetic).
#[test]
fn a_rate_off_by_more_than_five_percent_is_not_understood() {
    for (baud, understood) in [(10_900, true), (9_920, true), (11_100, false), (9_700, false)] {
        let mut line = Line::new(&LineConfig { tester_baud: baud, ..LineConfig::default() });
        line.write(End::Tester, 0, 0x2A);
        let arrivals = heard(&mut line, End::Controller, 10 * MS);
        let good = arrivals.len() == 1 && arrivals[0].byte == 0x2A && !arrivals[0].framing_error;
        assert_eq!(good, understood, "{baud}: {arrivals:?}");
    }
}

#[test]
fn a_collision_is_the_and_of_both_and_both_hear_it() {
    let mut line = Line::new(&LineConfig::default());
    line.write(End::Tester, 0, 0xF1);
    line.write(End::Controller, 0, 0x2F);
    assert_eq!(bytes(&heard(&mut line, End::Tester, MS)), [0x21]);

    let mut skewed = Line::new(&LineConfig::default());
    skewed.write(End::Controller, 0, 0xF1);
    skewed.write(End::Tester, 300_000, 0x2F);
    assert_ne!(bytes(&heard(&mut skewed, End::Tester, 3 * MS))[0], 0xF1);
}

#[test]
fn a_cut_cable_passes_nothing_but_echo() {
    let mut line = Line::new(&LineConfig::default());
    line.set_cut(0, true);
    line.write(End::Tester, MS, 0x3E);
    line.write(End::Controller, 10 * MS, 0x7E);
    assert_eq!(bytes(&heard(&mut line, End::Tester, 20 * MS)), [0x3E]);
    assert!(heard(&mut line, End::Controller, 20 * MS).is_empty());
    line.set_cut(20 * MS, false);
    line.write(End::Tester, 21 * MS, 0x3E);
    assert_eq!(bytes(&heard(&mut line, End::Controller, 30 * MS)), [0x3E]);
}

#[test]
fn a_cut_inside_a_character_spoils_it() {
    let mut line = Line::new(&LineConfig::default());
    line.write(End::Tester, 0, 0x00);
    line.set_cut(400_000, true);
    let arrivals = heard(&mut line, End::Controller, 2 * MS);
    assert_eq!(bytes(&arrivals), [0xF8], "start and three low bits passed, the rest is the idle level");
    assert_eq!(bytes(&heard(&mut line, End::Tester, 2 * MS)), [0x00]);
}

#[test]
fn a_purge_keeps_the_character_on_its_way() {
    let mut line = Line::new(&LineConfig::default());
    for byte in [1, 2, 3] {
        line.write(End::Tester, 0, byte);
    }
    line.purge(End::Tester, MS);
    line.write(End::Tester, MS, 9);
    assert_eq!(bytes(&heard(&mut line, End::Controller, 20 * MS)), [1, 2, 9]);
}

#[test]
fn noise_strikes_at_its_rates_and_only_in_its_window() {
    let burst = Burst { from: 0, to: 4_000 * MS, lost: 0.1, doubled: 0.05, corrupted: 0.2 };
    let noise = Noise { bursts: vec![burst], ..Noise::default() };
    let mut line = Line::new(&LineConfig { seed: 7, noise, ..LineConfig::default() });
    for k in 0..8_000 {
        line.write(End::Tester, k * MS, 0x55);
    }
    let arrivals = heard(&mut line, End::Controller, 9_000 * MS);
    let (inside, outside): (Vec<Arrival>, Vec<Arrival>) =
        arrivals.iter().copied().partition(|a| a.start < 4_000 * MS);
    assert!(outside.len() == 4_000 && outside.iter().all(|a| a.byte == 0x55 && !a.framing_error));
    let wrong = inside.iter().filter(|a| a.byte != 0x55 || a.framing_error).count();
    // 4000 draws: 800 wrong, 3800 heard; five standard deviations are 126 and 88.
    assert!((674..=926).contains(&wrong), "{wrong}");
    assert!((3_700..=3_900).contains(&inside.len()), "{}", inside.len());
}

#[test]
fn one_seed_hears_the_same_however_often_it_is_read() {
    let run = |seed: u64, step: i64| {
        let noise = Noise { lost: 0.1, doubled: 0.1, corrupted: 0.1, ..Noise::default() };
        let mut line = Line::new(&LineConfig { seed, noise, ..LineConfig::default() });
        let mut all = Vec::new();
        for k in 0..300 {
            line.write(End::Tester, k * 2 * MS, k as u8);
        }
        let mut now = 0;
        while now < 700 * MS {
            now += step;
            line.read(End::Tester, now, &mut all);
        }
        (all, heard(&mut line, End::Controller, now))
    };
    assert_eq!(run(3, MS / 3), run(3, 100 * MS));
    assert_ne!(run(3, MS), run(4, MS));
}

#[derive(Debug, Clone)]
enum Act {
    Write(bool, i64, u8),
    Level(bool),
    Baud(bool, u32),
    Cut(bool),
    Purge(bool),
}

fn acts() -> impl Strategy<Value = Vec<(i64, Act)>> {
    let act = prop_oneof![
        4 => (any::<bool>(), 0..3 * MS, any::<u8>()).prop_map(|(t, ahead, b)| Act::Write(t, ahead, b)),
        1 => any::<bool>().prop_map(Act::Level),
        1 => (any::<bool>(), prop_oneof![Just(0), Just(360), Just(10_400), 1..200_000u32])
            .prop_map(|(t, b)| Act::Baud(t, b)),
        1 => any::<bool>().prop_map(Act::Cut),
        1 => any::<bool>().prop_map(Act::Purge),
    ];
    prop::collection::vec((0..4 * MS, act), 0..60)
}

fn play(acts: &[(i64, Act)], always_sample: bool, step: Option<i64>) -> (Vec<Arrival>, Vec<Arrival>) {
    let mut line = Line::new(&LineConfig::default());
    line.tester.receiver.always_sample = always_sample;
    line.controller.receiver.always_sample = always_sample;
    let (mut tester, mut controller) = (Vec::new(), Vec::new());
    let mut now = 0;
    let end = |tester: bool| if tester { End::Tester } else { End::Controller };
    for (later, act) in acts.iter().chain([&(1_000 * MS, Act::Level(false))]) {
        let until = now + later;
        while let Some(step) = step.filter(|step| now + step < until) {
            now += step;
            line.read(End::Tester, now, &mut tester);
            let next = line.next_event(End::Tester);
            assert!(next.is_none_or(|next| next > now), "an event in the past: {next:?} at {now}");
        }
        now = until;
        line.read(End::Tester, now, &mut tester);
        match act {
            Act::Write(t, ahead, byte) => {
                line.write(end(*t), now + ahead, *byte);
            }
            Act::Level(low) => line.set_level(End::Tester, now, *low),
            Act::Baud(t, baud) => {
                line.set_baud(end(*t), now, *baud);
            }
            Act::Cut(cut) => line.set_cut(now, *cut),
            Act::Purge(t) => line.abort(end(*t), now),
        }
        line.read(End::Controller, now, &mut controller);
    }
    line.read(End::Tester, now + 30_000 * MS, &mut tester);
    line.read(End::Controller, now + 30_000 * MS, &mut controller);
    (tester, controller)
}

proptest! {
    #[test]
    fn every_byte_at_a_near_rate_arrives_whole(
        sent in prop::collection::vec((any::<u8>(), 0..5 * MS), 1..40), off in -39..=39i64
    ) {
        let tester_baud = (10_400 + 10_400 * off / 1_000) as u32;
        let mut line = Line::new(&LineConfig { tester_baud, ..LineConfig::default() });
        line.controller.receiver.always_sample = off % 2 == 0;
        let mut at = 0;
        for (byte, pause) in &sent {
            line.write(End::Tester, at, *byte);
            at += pause;
        }
        let arrivals = heard(&mut line, End::Controller, 1_000 * MS);
        prop_assert!(arrivals.iter().all(|a| !a.framing_error));
        prop_assert_eq!(bytes(&arrivals), sent.iter().map(|s| s.0).collect::<Vec<_>>());
    }

    #[test]
    fn the_short_way_hears_what_sampling_hears(acts in acts()) {
        prop_assert_eq!(play(&acts, false, None), play(&acts, true, None));
    }

    #[test]
    fn reading_often_changes_nothing(acts in acts(), step in MS / 5..2 * MS) {
        prop_assert_eq!(play(&acts, false, None), play(&acts, false, Some(step)));
    }

    #[test]
    fn sleeping_until_the_next_event_misses_nothing(
        sent in prop::collection::vec((any::<u8>(), 0..3 * MS), 1..30)
    ) {
        let mut line = Line::new(&LineConfig::default());
        let mut at = 0;
        for (byte, pause) in &sent {
            line.write(End::Controller, at, *byte);
            at += pause;
        }
        let mut seen = Vec::new();
        while let Some(next) = line.next_event(End::Tester) {
            let before = seen.len();
            line.read(End::Tester, next, &mut seen);
            prop_assert!(seen[before..].iter().all(|a| a.end == next));
        }
        prop_assert_eq!(bytes(&seen), sent.iter().map(|s| s.0).collect::<Vec<_>>());
    }
}
