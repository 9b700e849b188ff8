//! The same conductor over single bytes: holds, keep-alive, refusals, on a good wire and on a bad one.

use model::event::ReleaseProof;
use proptest::prelude::*;

use super::*;
use crate::dialect::Expected;
use crate::single::SingleConfig;

const MS: fn(i64) -> Span = Span::from_millis;
const S: fn(i64) -> Span = Span::from_secs;

/// The bytes of this test's controller; they belong to no other.
const STATE: u8 = 0x10;
const SPEED: u8 = 0x11;
const ALIVE: u8 = 0x3F;
const ENGAGE: u8 = 0xA0;
const RELEASE: u8 = 0xA1;
const TAKEN: u8 = 0xC1;
const GIVEN: u8 = 0xC2;
const NO: u8 = 0xEE;

/// After so long without a request the controller lets go, and after so long it forgets half a request.
const TIMEOUT: Span = Span::from_secs(2);
const FORGETS: Span = Span::from_millis(30);

fn answer(begins: &[u8], length: usize) -> Expected {
    Expected { begins: begins.to_vec(), length }
}

fn config() -> ConductorConfig {
    let mut config = ConductorConfig::new(SingleConfig::new(12_500, vec![ALIVE], answer(&[], 1)));
    config.controller_timeout = Some(TIMEOUT);
    config.reads = vec![
        ReadItem { request: vec![STATE], prefix: Vec::new(), answer: 1 },
        ReadItem { request: vec![SPEED], prefix: Vec::new(), answer: 2 },
    ];
    config
}

fn hold(at_most: Span) -> HoldSpec {
    HoldSpec {
        output: OutputId::new("idle_valve").unwrap(),
        engage: vec![ENGAGE, 40],
        engage_answer: answer(&[TAKEN], 2),
        release: vec![RELEASE],
        release_answer: answer(&[GIVEN], 1),
        at_most,
        refresh: Some(MS(500)),
        controller_timeout: Some(TIMEOUT),
        effect: Some(0),
        reading: true,
    }
}

/// What happens to an answer.
#[derive(Clone, Copy, PartialEq)]
enum Fate {
    Whole,
    Lost,
    LastByteLost,
    Late,
    Refused,
}

/// The mood of a controller: what happens to the answer to a request.
type Mood = Box<dyn FnMut(&[u8]) -> Fate>;

struct Pair {
    now: Moment,
    conductor: Conductor,
    half: Vec<u8>,
    last: Moment,
    held: Option<Moment>,
    longest: Span,
    asked: Vec<(Moment, Vec<u8>)>,
    coming: VecDeque<Received>,
    line_free: Moment,
    events: Vec<(Moment, Event)>,
    cut: bool,
    mood: Mood,
}

impl Pair {
    fn new(mood: impl FnMut(&[u8]) -> Fate + 'static) -> Self {
        let mut pair = Self {
            now: Moment::ZERO,
            conductor: Conductor::new(config()),
            half: Vec::new(),
            last: Moment::ZERO,
            held: None,
            longest: Span::ZERO,
            asked: Vec::new(),
            coming: VecDeque::new(),
            line_free: Moment::ZERO,
            events: Vec::new(),
            cut: false,
            mood: Box::new(mood),
        };
        pair.conductor.start(Moment::ZERO, Vec::new());
        pair.conductor.want(0, Some(MS(20)), Moment::ZERO);
        pair.conductor.want(1, Some(MS(20)), Moment::ZERO);
        pair
    }

    fn up() -> Self {
        let mut pair = Self::new(|_| Fate::Whole);
        pair.run(S(1));
        assert!(pair.conductor.is_up());
        pair
    }

    fn let_go(&mut self, at: Moment) {
        if let Some(since) = self.held.take() {
            self.longest = self.longest.max(at.since(since));
        }
    }

    fn expire(&mut self, now: Moment) {
        if now.since(self.last) > TIMEOUT {
            self.let_go(self.last + TIMEOUT);
        }
    }

    /// The controller hears a byte that ends at `end`: what it answers, and when it begins to.
    fn hear(&mut self, byte: u8, end: Moment) -> (Moment, Vec<u8>) {
        self.expire(end);
        if end.since(self.last) > FORGETS {
            self.half.clear();
        }
        self.last = end;
        self.half.push(byte);
        if self.half == [ENGAGE] {
            return (end, Vec::new());
        }
        let request = std::mem::take(&mut self.half);
        self.asked.push((end, request.clone()));
        let fate = (self.mood)(&request);
        let mut says = match request[..] {
            [STATE] => vec![u8::from(self.held.is_some())],
            [SPEED] => vec![0x7F, 0x55],
            [ALIVE] => vec![0],
            [ENGAGE, _] if fate == Fate::Refused => vec![NO, NO],
            [ENGAGE, steps] => {
                self.held.get_or_insert(end);
                vec![TAKEN, steps]
            }
            [RELEASE] => {
                self.let_go(end);
                vec![GIVEN]
            }
            _ => Vec::new(),
        };
        match fate {
            Fate::Lost => says.clear(),
            Fate::LastByteLost => {
                says.pop();
            }
            Fate::Whole | Fate::Late | Fate::Refused => {}
        }
        (end + if fate == Fate::Late { MS(60) } else { MS(1) }, says)
    }

    fn drain(&mut self) {
        while let Some(transmit) = self.conductor.poll_transmit() {
            let Transmit::Byte(byte) = transmit else { continue };
            let tb = self.conductor.client.character();
            let end = self.line_free.max(self.now) + tb;
            self.line_free = end;
            self.coming.push_back(Received { byte, end, broken: false });
            if self.cut {
                continue;
            }
            let (mut at, says) = self.hear(byte, end);
            for byte in says {
                at += tb;
                self.coming.push_back(Received { byte, end: at, broken: false });
            }
            self.coming.make_contiguous().sort_by_key(|one| one.end);
        }
        while let Some(event) = self.conductor.poll_event() {
            if let Event::Read { item: 0, data, .. } = &event {
                let output = OutputId::new("idle_valve").unwrap();
                self.conductor.effect(self.now, &output, data[0] == 1);
            }
            self.events.push((self.now, event));
        }
    }

    fn run(&mut self, length: Span) {
        let end = self.now + length;
        for _ in 0..400_000 {
            self.drain();
            let deadline = self.conductor.deadline().map(|d| d.at);
            let coming = self.coming.front().map(|c| c.end);
            let Some(next) = [deadline, coming].into_iter().flatten().min().filter(|at| *at <= end) else {
                self.now = end;
                self.expire(end);
                return;
            };
            self.now = self.now.max(next);
            self.expire(self.now);
            if coming == Some(next) {
                let one = self.coming.pop_front().unwrap();
                self.conductor.bytes(self.now, &[one]);
            } else {
                self.conductor.timeout(self.now);
            }
        }
        panic!("live-lock at {:?}: {:?}", self.now, self.conductor.deadline());
    }

    fn happened(&self, find: impl Fn(&Event) -> bool) -> Option<Moment> {
        self.events.iter().find(|(_, event)| find(event)).map(|(at, _)| *at)
    }

    fn proof(&self) -> Option<ReleaseProof> {
        self.events.iter().rev().find_map(|(_, event)| match event {
            Event::Released { proof, .. } => Some(*proof),
            _ => None,
        })
    }

    fn heard(&self, request: &[u8]) -> usize {
        self.asked.iter().filter(|(_, asked)| asked == request).count()
    }
}

#[test]
fn it_is_up_when_the_controller_answers_and_reads_both_at_their_periods() {
    let pair = Pair::up();
    assert_eq!(pair.asked[0].1, [ALIVE]);
    assert!(pair.happened(|e| matches!(e, Event::Up(None))).is_some());
    assert!((45..=50).contains(&pair.heard(&[STATE])) && (45..=50).contains(&pair.heard(&[SPEED])));
    let speed = |e: &Event| matches!(e, Event::Read { item: 1, data, .. } if data[..] == [0x7F, 0x55]);
    assert!(pair.happened(speed).is_some(), "no byte of an answer is taken for a refusal");
}

#[test]
fn nothing_is_asked_of_a_controller_that_knows_no_services() {
    let mut pair = Pair::up();
    let before = pair.asked.len();
    let ticket = pair.conductor.ask(pair.now, vec![0x82]);
    pair.run(S(1));
    assert!(pair.happened(|e| *e == Event::Answered { ticket, data: None }).is_some());
    assert!(pair.asked.len() > before && pair.heard(&[0x82]) == 0);
    assert!(!pair.conductor.has_services());
}

#[test]
fn it_is_kept_from_letting_go_when_nothing_is_read() {
    let mut pair = Pair::up();
    pair.conductor.want(0, None, pair.now);
    pair.conductor.want(1, None, pair.now);
    let before = pair.heard(&[ALIVE]);
    pair.run(S(20));
    assert!((18..=21).contains(&(pair.heard(&[ALIVE]) - before)), "{}", pair.heard(&[ALIVE]));
}

#[test]
fn a_hold_is_engaged_refreshed_read_meanwhile_and_given_back() {
    let mut pair = Pair::up();
    let begun = pair.now;
    pair.conductor.engage(pair.now, hold(S(10)));
    pair.run(S(4));
    assert!(pair.held.is_some() && pair.happened(|e| matches!(e, Event::Engaged { .. })).is_some());
    assert!((8..=9).contains(&pair.heard(&[ENGAGE, 40])), "{}", pair.heard(&[ENGAGE, 40]));
    let meanwhile = pair.asked.iter().filter(|(at, r)| *at > begun && r[..] == [SPEED]).count();
    assert!(meanwhile >= 180, "{meanwhile}");
    pair.conductor.release_all(pair.now, ReleaseCause::ScopeLeft);
    let wished = pair.now;
    pair.run(S(1));
    let released = pair.asked.iter().find(|(_, r)| r[..] == [RELEASE]).unwrap().0;
    assert!(released.since(wished) < MS(10), "{}", released.since(wished));
    assert_eq!(pair.proof(), Some(ReleaseProof::ControllerAndEffect));
}

#[test]
fn a_window_ends_in_time() {
    let mut pair = Pair::up();
    pair.conductor.engage(pair.now, hold(S(3)));
    pair.run(S(6));
    assert!(pair.held.is_none() && pair.longest <= S(3) && pair.longest > S(3) - MS(200), "{}", pair.longest);
}

#[test]
fn an_answer_that_says_no_each_time_is_a_refusal_and_is_given_back_to_be_sure() {
    let mut pair = Pair::new(|request| if request[0] == ENGAGE { Fate::Refused } else { Fate::Whole });
    pair.run(S(1));
    pair.conductor.engage(pair.now, hold(S(5)));
    pair.run(S(3));
    assert_eq!((pair.heard(&[ENGAGE, 40]), pair.heard(&[RELEASE])), (3, 1));
    assert!(pair.happened(|e| matches!(e, Event::EngageRefused { .. })).is_some());
    let refused = |e: &Event| matches!(e, Event::Releasing { cause: ReleaseCause::Refused, .. });
    assert!(pair.happened(refused).is_some());
    assert!(pair.conductor.holds().is_empty() && pair.conductor.is_up());
}

#[test]
fn a_late_answer_to_the_engaging_request_proves_no_release() {
    let mut pair = Pair::new(|request| match request[0] {
        ENGAGE => Fate::Late,
        RELEASE => Fate::Lost,
        _ => Fate::Whole,
    });
    pair.run(S(1));
    pair.conductor.engage(pair.now, HoldSpec { effect: None, ..hold(S(5)) });
    pair.run(S(20));
    // Releases are heard and their answers lost: only the controller's own timeout says that it is back.
    assert!(pair.held.is_none());
    assert_eq!(pair.proof(), Some(ReleaseProof::ControllerTimeout));
}

#[test]
fn a_release_without_an_answer_is_known_by_its_effect_or_by_the_timeout() {
    for (effect, proof) in [(Some(0), ReleaseProof::Effect), (None, ReleaseProof::ControllerTimeout)] {
        // Its release is not answered at all.
        let mut pair = Pair::new(|request| if request[0] == RELEASE { Fate::Lost } else { Fate::Whole });
        pair.run(S(1));
        let spec = HoldSpec { effect, release_answer: answer(&[], 0), ..hold(S(10)) };
        pair.conductor.engage(pair.now, spec);
        pair.run(S(1));
        pair.conductor.release_all(pair.now, ReleaseCause::ScopeLeft);
        pair.run(S(10));
        assert!(pair.held.is_none());
        assert_eq!(pair.proof(), Some(proof));
    }
}

#[test]
fn after_a_restart_the_release_is_the_first_thing_said() {
    let mut pair = Pair::new(|_| Fate::Whole);
    pair.conductor = Conductor::new(config());
    pair.held = Some(Moment::ZERO);
    pair.conductor.start(Moment::ZERO, vec![hold(S(30))]);
    pair.run(S(1));
    assert_eq!(pair.asked[0].1, [RELEASE]);
    assert!(pair.held.is_none() && pair.conductor.is_up());
}

#[test]
fn half_an_engaging_request_never_swallows_the_release() {
    let mut pair = Pair::up();
    let mut client = SingleConfig::new(12_500, vec![ALIVE], answer(&[], 1));
    client.byte_gap = MS(5);
    let mut gaps = config();
    gaps.client = client.into();
    pair.conductor = Conductor::new(gaps);
    pair.conductor.start(pair.now, Vec::new());
    pair.run(S(1));
    pair.conductor.engage(pair.now, hold(S(5)));
    while pair.half != [ENGAGE] {
        pair.run(MS(1));
    }
    // The controller hears the first byte only.
    pair.cut = true;
    pair.run(MS(10));
    pair.cut = false;
    pair.conductor.release_all(pair.now, ReleaseCause::Stop);
    pair.run(S(1));
    assert_eq!(
        (pair.heard(&[RELEASE]), pair.heard(&[ENGAGE, RELEASE])),
        (1, 0),
        "{:02X?}",
        pair.asked.last()
    );
    assert!(pair.held.is_none() && pair.conductor.holds().is_empty());
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(200))]
    #[test]
    fn no_hold_outlives_its_window_on_a_bad_wire(
        odds in prop::collection::vec(0..12_u8, 1..200),
        cuts in prop::collection::vec((0..8_000_i64, 0..3_000_i64), 0..3),
        at_most in 500..6_000_i64,
        stop in 0..8_000_i64,
        effect in any::<bool>(),
    ) {
        let mut turn = 0;
        let mut pair = Pair::new(move |_| {
            turn += 1;
            match odds[turn % odds.len()] {
                0 => Fate::Lost,
                1 => Fate::LastByteLost,
                2 => Fate::Late,
                3 => Fate::Refused,
                _ => Fate::Whole,
            }
        });
        pair.run(S(3));
        let begun = pair.now;
        let effect = effect.then_some(0);
        pair.conductor.engage(pair.now, HoldSpec { effect, ..hold(MS(at_most)) });
        let mut moves: Vec<(i64, u8)> = cuts.iter().flat_map(|(at, len)| [(*at, 0), (at + len, 1)]).collect();
        moves.push((stop, 2));
        moves.sort_unstable();
        for (at, what) in moves {
            let wait = (begun + MS(at)).since(pair.now);
            if wait > Span::ZERO {
                pair.run(wait);
            }
            match what {
                0 => pair.cut = true,
                1 => pair.cut = false,
                _ => pair.conductor.release_all(pair.now, ReleaseCause::Stop),
            }
        }
        pair.cut = false;
        pair.run(S(30));
        prop_assert!(pair.held.is_none(), "still held");
        // Where a release reaches the controller it is back inside the window; where none does, inside the
        // controller's own timeout after the last word that reached it.
        prop_assert!(pair.longest <= MS(at_most) + RELEASE_SLACK, "{}", pair.longest);
    }

    #[test]
    fn no_hold_outlives_its_window_where_releases_are_heard(
        odds in prop::collection::vec(0..8_u8, 1..200),
        at_most in 700..6_000_i64,
        refresh in 100..1_800_i64,
        stop in 0..8_000_i64,
    ) {
        let mut turn = 0;
        let mut pair = Pair::new(move |request| {
            turn += 1;
            match (request[0], odds[turn % odds.len()]) {
                (STATE | SPEED, 0) => Fate::Lost,
                (STATE | SPEED, 1) => Fate::Late,
                (SPEED, 2) => Fate::LastByteLost,
                _ => Fate::Whole,
            }
        });
        pair.run(S(3));
        let begun = pair.now;
        pair.conductor.engage(pair.now, HoldSpec { refresh: Some(MS(refresh)), ..hold(MS(at_most)) });
        pair.run(MS(stop));
        pair.conductor.release_all(pair.now, ReleaseCause::Stop);
        pair.run(S(30));
        prop_assert!(pair.held.is_none() && begun < pair.now);
        prop_assert!(pair.longest <= MS(at_most), "{}", pair.longest);
    }
}

/// Releases that the bad wire swallows are repeated for the release budget, then there is silence until the
/// controller's timeout.
const RELEASE_SLACK: Span = Span::from_millis(3_000 + 2_100 + 1_500);
