use line::Arrival;

use super::bench::{MS, SECOND};
use crate::{ControllerFault, Happened, Ignored, Speech, Start, Why, World, WorldConfig};

/// A plain tester for single bytes.
struct Tester {
    world: World,
    now: i64,
}

impl Tester {
    fn new(change: impl FnOnce(&mut WorldConfig)) -> Self {
        let mut config = WorldConfig {
            speech: Speech::SingleByte,
            baud: 12_500,
            start: Start::Hot,
            ..WorldConfig::default()
        };
        change(&mut config);
        Self { world: World::new(config).expect("a valid configuration"), now: SECOND }
    }

    fn hot() -> Self {
        Self::new(|_| {})
    }

    /// Sends bytes without a gap and listens for so long; what was heard without the echo.
    fn ask_for(&mut self, request: &[u8], patience: i64) -> Vec<Arrival> {
        request.iter().for_each(|byte| self.world.write(self.now, *byte));
        self.now += patience;
        let mut heard = Vec::new();
        self.world.read(self.now, &mut heard);
        let echo: Vec<u8> = heard.drain(..request.len()).map(|arrival| arrival.byte).collect();
        assert_eq!(echo, request);
        heard
    }

    fn ask(&mut self, request: &[u8]) -> Vec<u8> {
        self.ask_for(request, 40 * MS).into_iter().map(|arrival| arrival.byte).collect()
    }

    fn ignored(&self) -> Vec<Ignored> {
        let ignored = |happened: &Happened| match happened {
            Happened::Ignored { why, .. } => Some(*why),
            _ => None,
        };
        self.world.log().iter().filter_map(ignored).collect()
    }

    fn released(&self) -> Vec<(i64, Why)> {
        let release = |happened: &Happened| match happened {
            Happened::Released { at, why } => Some((*at, *why)),
            _ => None,
        };
        self.world.log().iter().filter_map(release).collect()
    }
}

#[test]
fn a_byte_is_answered_by_what_the_sensors_say() {
    let mut tester = Tester::new(|config| config.noise_scale = 0.0);
    let block = tester.ask(&[0x51]);
    let truth = tester.world.truth();
    assert_eq!(block.len(), 7);
    let rpm = f64::from(u16::from_be_bytes([block[0], block[1]])) / 2.0;
    assert!((rpm - truth.mean_rpm).abs() < 40.0, "{rpm} for {}", truth.mean_rpm);
    assert!((f64::from(block[3]) * 0.8 - 40.0 - truth.coolant).abs() < 3.0);
    assert_eq!((block[5], block[6] & 0b101), (truth.valve_believed, 0b100));
    assert_eq!(tester.ask(&[0x62]).len(), 1);
    assert_eq!(tester.ask(&[0x70]), [0x07]);
    assert_eq!(tester.ask(&[0x20]), [0_u8; 0], "it knows no such byte");
    assert_eq!(tester.ignored(), [Ignored::Unknown(0x20)]);
}

#[test]
fn an_answer_comes_within_the_characters_and_the_delays_it_has() {
    // Arithmetic: ten bits at 12 500 Bd are 0.8 ms. A prompt controller answers at once and without gaps.
    let mut tester = Tester::new(|config| config.prompt = true);
    let begun = tester.now;
    let heard = tester.ask_for(&[0x51], 20 * MS);
    assert_eq!(heard[0].start, begun + 800_000);
    assert_eq!(heard[6].end, begun + 8 * 800_000);
    let mut tester = Tester::hot();
    for _ in 0..200 {
        let begun = tester.now;
        let heard = tester.ask_for(&[0x61], 20 * MS);
        let thinks = heard[0].start - begun - 800_000;
        assert!((100_000..=2_500_000).contains(&thinks), "{thinks} ns");
    }
}

#[test]
fn the_valve_is_taken_and_given_back_and_a_wrong_place_is_refused() {
    let mut tester = Tester::hot();
    assert_eq!(tester.ask(&[0xB4, 70]), [0x4B, 70]);
    assert_eq!(tester.world.truth().held, Some(70));
    assert_eq!(tester.ask(&[0x52])[2] & 1, 1);
    assert_eq!(tester.ask(&[0xB8]), [0x8B]);
    assert_eq!(tester.world.truth().held, None);
    assert!(matches!(tester.released()[..], [(_, Why::Request)]));
    assert_eq!(tester.ask(&[0xB4, 200]), [0x44, 200]);
    tester.world.key(tester.now, false);
    tester.now += SECOND;
    tester.world.key(tester.now, true);
    assert_eq!(tester.ask(&[0xB4, 70]), [0_u8; 0], "it is not ready at once");
    tester.now += SECOND;
    assert_eq!(tester.ask(&[0xB4, 70]), [0x44, 70], "not with a standing engine");
}

#[test]
fn without_a_request_it_lets_go_after_its_own_time() {
    let mut tester = Tester::hot();
    tester.ask(&[0xB4, 60]);
    for _ in 0..5 {
        tester.now += 1_900 * MS;
        assert_eq!(tester.ask(&[0x70]), [0x07]);
    }
    assert_eq!(tester.world.truth().held, Some(60), "any request keeps it");
    let sent = tester.world.log().iter().rev().find_map(|happened| match happened {
        Happened::Sent { end, .. } => Some(*end),
        _ => None,
    });
    tester.now += 3 * SECOND;
    tester.world.advance(tester.now);
    let [(at, Why::Timeout)] = tester.released()[..] else { panic!("{:?}", tester.released()) };
    let after = at - sent.expect("it answered");
    assert!((2 * SECOND..2 * SECOND + 5 * MS).contains(&after), "{after} ns");
}

#[test]
fn half_a_request_is_forgotten_and_a_byte_into_an_answer_is_lost() {
    let mut tester = Tester::hot();
    assert_eq!(tester.ask(&[0xB4]), [0_u8; 0]);
    assert_eq!(tester.ask(&[0xB8]), [0x8B], "not taken for the place of the valve");
    assert_eq!(tester.world.truth().held, None);
    assert_eq!(tester.ignored(), [Ignored::Unfinished]);
    // A second byte while the first is being answered.
    let heard = tester.ask(&[0x61, 0x62]);
    assert_eq!(heard.len(), 1);
    assert!(tester.ignored().iter().any(|why| why.is_violation()));
}

#[test]
fn bad_manners_come_in_single_bytes_too() {
    let mut tester = Tester::hot();
    tester.world.controller_fault(tester.now, ControllerFault::LoseAnswers { times: 1 });
    assert_eq!((tester.ask(&[0x70]).len(), tester.ask(&[0x70]).len()), (0, 1));
    tester.world.controller_fault(tester.now, ControllerFault::CorruptChecksums { times: 1 });
    assert_eq!(tester.ask(&[0x70]), [0x07 ^ 0x55]);
    tester.world.controller_fault(tester.now, ControllerFault::Refuse { service: 0xB4, code: 0 });
    assert_eq!(tester.ask(&[0xB4, 30]), [0x44, 30]);
    tester.world.controller_fault(tester.now, ControllerFault::Silent { lasting: SECOND });
    assert_eq!(tester.ask(&[0x70]).len(), 0);
    tester.now += SECOND;
    assert_eq!(tester.ask(&[0x70]), [0x07]);
    let at = tester.now;
    tester.world.controller_fault(at, ControllerFault::SlowAnswers { by: 25 * MS, times: 1 });
    assert!(tester.ask_for(&[0x70], 40 * MS)[0].start - at >= 25 * MS);
}
