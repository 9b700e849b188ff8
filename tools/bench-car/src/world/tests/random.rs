use proptest::prelude::*;

use super::bench::{Bench, MS, message};
use crate::{Arrival, Fault, Happened, Hose, Load, Noise, World, WorldConfig};

/// A polling session on a noisy line; everything heard, and everything that happened.
fn session(seed: u64, peek: Option<i64>) -> (Vec<Arrival>, Vec<Happened>) {
    let line_noise = Noise { lost: 0.002, doubled: 0.002, corrupted: 0.002, ..Noise::default() };
    let faults = vec![Fault::new("noisy-sensor", 0.4), Fault::new("sticking-idle-valve", 0.3)];
    let mut world =
        World::new(WorldConfig { seed, line_noise, faults, awake: true, ..WorldConfig::default() })
            .expect("valid");
    let (mut heard, mut now) = (Vec::new(), 0);
    for k in 0..150 {
        let request: &[u8] = match k {
            0 => &[0x81],
            1 => &[0x10, 0xC3],
            20 => &[0x30, 0x51, 0x07, 60],
            80 => &[0x30, 0x51, 0x00],
            _ => &[0x21, 0xA1],
        };
        for byte in message(0x2A, request) {
            world.write(now, byte);
            now += 6 * MS;
        }
        let until = now + 160 * MS;
        while let Some(step) = peek.filter(|step| now + step < until) {
            now += step;
            world.read(now, &mut heard);
            let _ = (world.truth(), world.next_event());
        }
        now = until;
        world.read(now, &mut heard);
    }
    (heard, world.log().to_vec())
}

#[test]
fn one_seed_twice_is_the_same_and_two_seeds_differ() {
    let first = session(11, None);
    assert!(first.1.iter().any(|h| matches!(h, Happened::Held { .. })));
    assert_eq!(first, session(11, None));
    assert_ne!(first.0, session(12, None).0);
}

#[test]
fn looking_often_changes_nothing() {
    assert_eq!(session(13, None), session(13, Some(MS / 3)));
}

#[test]
fn an_earlier_moment_counts_as_the_latest() {
    let mut bench = Bench::open(WorldConfig::default());
    let now = bench.now;
    bench.world.advance(0);
    assert_eq!(bench.world.truth().at, now);
    assert_eq!(bench.ask(&[0x3E]), [0x7E]);
}

#[derive(Debug, Clone)]
enum Act {
    Byte(u8),
    Message(Vec<u8>),
    Level(bool),
    Wake,
    Baud(u32),
    Key(bool),
    Cut(bool),
    Crank,
    Purge,
    Pedal(f64),
    Push(bool),
    Sensor(f64),
    Pinch(bool),
    Switch(bool),
}

fn acts() -> impl Strategy<Value = Vec<(i64, Act)>> {
    let data = prop_oneof![
        prop::collection::vec(any::<u8>(), 1..8),
        Just(vec![0x81]),
        Just(vec![0x10, 0xC3]),
        (0..=130u8).prop_map(|steps| vec![0x30, 0x51, 0x07, steps]),
        Just(vec![0x83, 0x03, 0x00, 0x01, 0x01, 0x14, 0x00]),
        (0..=255u8).prop_map(|id| vec![0x01, id]),
    ];
    let act = prop_oneof![
        4 => any::<u8>().prop_map(Act::Byte),
        4 => data.prop_map(Act::Message),
        1 => any::<bool>().prop_map(Act::Level),
        2 => Just(Act::Wake),
        1 => prop_oneof![Just(10_400), any::<u32>()].prop_map(Act::Baud),
        1 => any::<bool>().prop_map(Act::Key),
        1 => any::<bool>().prop_map(Act::Cut),
        1 => Just(Act::Crank),
        1 => Just(Act::Purge),
        1 => (-0.2..1.2f64).prop_map(Act::Pedal),
        1 => any::<bool>().prop_map(Act::Push),
        1 => (-30.0..30.0f64).prop_map(Act::Sensor),
        1 => any::<bool>().prop_map(Act::Pinch),
        1 => any::<bool>().prop_map(Act::Switch),
    ];
    let acts = prop::collection::vec((prop_oneof![Just(0), 0..400 * MS, Just(120 * MS)], act), 1..80);
    // Half of the cases begin where a hold is possible.
    let opening = [
        (1_000 * MS, Act::Wake),
        (0, Act::Message(vec![0x81])),
        (120 * MS, Act::Message(vec![0x10, 0xC3])),
        (120 * MS, Act::Purge),
    ];
    (any::<bool>(), acts).prop_map(move |(opened, mut acts)| {
        if opened {
            acts.splice(0..0, opening.clone());
        }
        acts
    })
}

proptest! {
    /// Whatever comes, nothing panics, events lie ahead, and a hold is engaged only by a taken, valid request
    /// for it in the set-up session.
    #[test]
    fn no_input_does_harm(acts in acts(), awake in any::<bool>(), seed in any::<u64>()) {
        let mut world = World::new(WorldConfig { awake, seed, ..WorldConfig::default() }).expect("valid");
        let (mut now, mut heard) = (0, Vec::new());
        for (later, act) in acts {
            now += later;
            match act {
                Act::Byte(byte) => world.write(now, byte),
                Act::Message(data) => {
                    for byte in message(0x2A, &data) {
                        world.write(now, byte);
                        now += 6 * MS;
                    }
                }
                Act::Level(low) => world.set_level(now, low),
                Act::Wake => {
                    world.set_level(now, true);
                    world.set_level(now + 25 * MS, false);
                    now += 50 * MS;
                }
                Act::Baud(baud) => {
                    world.set_baud(now, baud);
                }
                Act::Key(on) => world.key(now, on),
                Act::Cut(cut) => world.cut(now, cut),
                Act::Crank => world.crank(now),
                Act::Purge => world.purge(now),
                Act::Pedal(fraction) => world.press_pedal(now, fraction),
                Act::Push(pushed) => world.push_plate_shut(now, pushed),
                Act::Sensor(degrees) => world.turn_throttle_sensor(now, degrees),
                Act::Pinch(pinched) => world.pinch(now, Hose::Vacuum, pinched),
                Act::Switch(on) => world.switch(now, Load::AirConditioning, on),
            }
            world.read(now, &mut heard);
            prop_assert!(world.next_event().is_none_or(|at| at > now));
        }
        world.read(now + 20_000 * MS, &mut heard);
        prop_assert_eq!(world.truth().held, None, "no hold outlives the communication time-out");

        let (mut set_up, mut asked) = (false, None);
        for happened in world.log() {
            match happened {
                Happened::Session { kind, .. } => set_up = *kind == 0xC3,
                Happened::Closed { .. } | Happened::Woken { .. } => set_up = false,
                Happened::Request { bytes, .. } => asked = Some(bytes.clone()),
                Happened::Held { steps, .. } => {
                    prop_assert!(set_up && *steps <= 120);
                    let request = asked.clone().expect("a request before the hold");
                    prop_assert_eq!(&request, &message(0x2A, &[0x30, 0x51, 0x07, *steps]));
                }
                _ => {}
            }
        }
    }

    #[test]
    fn sleeping_from_event_to_event_misses_no_character(seed in any::<u64>(), requests in 1..12usize) {
        let mut world = World::new(WorldConfig { seed, awake: true, ..WorldConfig::default() }).expect("valid");
        let mut now = MS;
        for k in 0..requests {
            for byte in message(0x2A, if k == 0 { &[0x81] } else { &[0x21, 0xA1] }) {
                world.write(now, byte);
                now += 6 * MS;
            }
            let (limit, mut wakes) = (now + 150 * MS, 0);
            let mut heard = Vec::new();
            while let Some(at) = world.next_event().filter(|at| *at <= limit) {
                heard.clear();
                world.read(at, &mut heard);
                wakes += 1;
                prop_assert!(heard.iter().all(|a| a.end == at || wakes == 1), "heard late");
            }
            prop_assert!(wakes < 40, "{wakes} wakes for one exchange");
            now = limit;
            world.advance(now);
        }
        let sent = world.log().iter().filter(|h| matches!(h, Happened::Sent { .. })).count();
        prop_assert_eq!(sent, requests);
    }
}
