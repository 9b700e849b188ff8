//! A conductor and a small controller on one virtual wire, stepped from deadline to deadline.

use model::event::ReleaseProof;
use proptest::prelude::*;

use super::*;
use crate::dialect::Expected;
use crate::frame::{Assembler, Header, HeaderForm, Message, Step};
use crate::kline::ClientConfig;

const MS: fn(i64) -> Span = Span::from_millis;
const S: fn(i64) -> Span = Span::from_secs;

/// A controller that answers as told, and remembers what it was asked and when.
struct Peer {
    assembler: Assembler,
    last_character: Moment,
    low_since: Option<Moment>,
    pulse: Option<Span>,
    awake: bool,
    held: bool,
    held_since: Moment,
    last_heard: Moment,
    longest_hold: Span,
    asked: Vec<(Moment, Vec<u8>)>,
    deaf_to_release: bool,
    say: Script,
}

/// What the controller says to its n-th request.
type Script = Box<dyn FnMut(usize, &[u8]) -> Vec<Say>>;

#[derive(Clone)]
enum Say {
    Usual,
    Data(Vec<u8>),
    Nothing,
    Spoiled,
}

struct Pair {
    now: Moment,
    conductor: Conductor,
    peer: Peer,
    /// Characters on their way to the tester.
    coming: VecDeque<Received>,
    events: Vec<(Moment, Event)>,
    cut: bool,
    line_free: Moment,
    /// When the tester heard anything.
    heard: Vec<Moment>,
}

const READ: [u8; 2] = [0x21, 0xA2];

fn config() -> ConductorConfig {
    let mut config = ConductorConfig::new(ClientConfig::new(10_400, 0x2A, 0xF1));
    config.session = Some(0xC3);
    config.controller_timeout = Some(S(5));
    config.reads = vec![ReadItem { request: READ.to_vec(), prefix: vec![0x61, 0xA2], answer: 3 }];
    config
}

fn hold(at_most: Span) -> HoldSpec {
    HoldSpec {
        output: OutputId::new("idle_valve").unwrap(),
        engage: vec![0x30, 0x51, 0x07, 40],
        engage_answer: Expected { begins: vec![0x51, 0x07], length: 4 },
        release: vec![0x30, 0x51, 0x00],
        release_answer: Expected { begins: vec![0x51, 0x00], length: 3 },
        at_most,
        refresh: None,
        controller_timeout: Some(S(5)),
        effect: Some(0),
        reading: true,
    }
}

impl Peer {
    fn character(&mut self, byte: u8, end: Moment) -> Option<Vec<u8>> {
        // P4max and a character: half a request is forgotten.
        if end.since(self.last_character) > MS(21) {
            self.assembler.clear();
        }
        self.last_character = end;
        match self.assembler.push(byte) {
            Step::Message(message) if self.awake || message.data == [0x81] => {
                if !self.awake && self.pulse != Some(MS(25)) {
                    return None;
                }
                self.answer(end, &message.data)
            }
            _ => None,
        }
    }

    fn answer(&mut self, at: Moment, request: &[u8]) -> Option<Vec<u8>> {
        self.asked.push((at, request.to_vec()));
        self.expire(at);
        self.last_heard = at;
        self.awake = true;
        let say = (self.say)(self.asked.len(), request);
        let mut all = Vec::new();
        for one in &say {
            if matches!(one, Say::Usual | Say::Spoiled) || matches!(one, Say::Data(d) if d[0] != 0x7F) {
                self.obey(at, request);
            }
            let data = match one {
                Say::Nothing => continue,
                Say::Data(data) => data.clone(),
                Say::Usual | Say::Spoiled => self.usual(request),
            };
            let form = HeaderForm::Addressed { length_byte: false };
            let header =
                Header { form, addressing: crate::frame::Addressing::Physical, target: 0xF1, source: 0x2A };
            let mut bytes = Message { header, data }.encode().unwrap();
            if matches!(one, Say::Spoiled) {
                *bytes.last_mut().unwrap() ^= 0x10;
            }
            all.extend(bytes);
        }
        Some(all)
    }

    fn obey(&mut self, at: Moment, request: &[u8]) {
        match request {
            [0x30, _, 0x07, _] if !self.held => (self.held, self.held_since) = (true, at),
            [0x30, _, 0x00] if !self.deaf_to_release => self.let_go(at),
            _ => {}
        }
    }

    fn let_go(&mut self, at: Moment) {
        if std::mem::take(&mut self.held) {
            self.longest_hold = self.longest_hold.max(at.since(self.held_since));
        }
    }

    fn expire(&mut self, at: Moment) {
        if self.awake && at.since(self.last_heard) > S(5) {
            self.let_go(self.last_heard + S(5));
            self.awake = false;
        }
    }

    fn usual(&self, request: &[u8]) -> Vec<u8> {
        match request {
            [0x81] => vec![0xC1, 0xEF, 0x8F],
            [0x21, id] => vec![0x61, *id, 0x06, 0x40, u8::from(self.held)],
            [service, rest @ ..] => [&[service | 0x40], rest].concat(),
            [] => unreachable!("a message has data"),
        }
    }
}

impl Pair {
    fn new(config: ConductorConfig, say: impl FnMut(usize, &[u8]) -> Vec<Say> + 'static) -> Self {
        let peer = Peer {
            assembler: Assembler::new(),
            last_character: Moment::ZERO,
            low_since: None,
            pulse: None,
            awake: false,
            held: false,
            held_since: Moment::ZERO,
            last_heard: Moment::ZERO,
            longest_hold: Span::ZERO,
            asked: Vec::new(),
            deaf_to_release: false,
            say: Box::new(say),
        };
        Self {
            now: Moment::ZERO,
            conductor: Conductor::new(config),
            peer,
            coming: VecDeque::new(),
            events: Vec::new(),
            cut: false,
            line_free: Moment::ZERO,
            heard: Vec::new(),
        }
    }

    fn up() -> Self {
        let mut pair = Self::new(config(), |_, _| vec![Say::Usual]);
        pair.conductor.start(Moment::ZERO, Vec::new());
        pair.conductor.want(0, Some(MS(100)), Moment::ZERO);
        pair.run(S(2));
        assert!(pair.conductor.is_up());
        pair
    }

    fn drain(&mut self) {
        while let Some(transmit) = self.conductor.poll_transmit() {
            match transmit {
                Transmit::Low => self.peer.low_since = Some(self.now),
                Transmit::High => {
                    self.peer.pulse = self.peer.low_since.take().map(|since| self.now.since(since));
                }
                Transmit::Byte(byte) => {
                    let end = self.line_free.max(self.now) + self.conductor.client.character();
                    self.line_free = end;
                    self.coming.push_back(Received { byte, end, broken: false });
                    if self.cut {
                        continue;
                    }
                    for byte in self.peer.character(byte, end).unwrap_or_default() {
                        let start = self.line_free.max(end + MS(26));
                        self.line_free = start + self.conductor.client.character();
                        self.coming.push_back(Received { byte, end: self.line_free, broken: false });
                    }
                }
            }
        }
        while let Some(event) = self.conductor.poll_event() {
            // The effect is shown by the reading, as the driver would show it.
            if let Event::Read { data, .. } = &event {
                let output = OutputId::new("idle_valve").unwrap();
                self.conductor.effect(self.now, &output, data[2] == 1);
            }
            self.events.push((self.now, event));
        }
    }

    fn run(&mut self, length: Span) {
        let end = self.now + length;
        for _ in 0..200_000 {
            self.drain();
            let deadline = self.conductor.deadline().map(|d| d.at);
            let coming = self.coming.front().map(|c| c.end);
            let Some(next) = [deadline, coming].into_iter().flatten().min().filter(|at| *at <= end) else {
                self.now = end;
                self.peer.expire(end);
                return;
            };
            self.now = self.now.max(next);
            self.peer.expire(self.now);
            if coming == Some(next) {
                let one = self.coming.pop_front().unwrap();
                self.heard.push(one.end);
                self.conductor.bytes(self.now, &[one]);
            } else {
                self.conductor.timeout(self.now);
            }
        }
        panic!("live-lock at {:?}: {:?}", self.now, self.conductor.deadline());
    }

    fn requests(&self) -> Vec<Vec<u8>> {
        self.peer.asked.iter().map(|(_, request)| request.clone()).collect()
    }

    fn happened(&self, find: impl Fn(&Event) -> bool) -> Option<Moment> {
        self.events.iter().find(|(_, event)| find(event)).map(|(at, _)| *at)
    }
}

#[test]
fn wakes_starts_its_session_and_reads_at_the_gap() {
    let pair = Pair::up();
    assert_eq!(pair.requests()[..3], [vec![0x81], vec![0x10, 0xC3], READ.to_vec()]);
    assert!(pair.happened(|e| matches!(e, Event::Up(Some(key)) if key.keyword() == 2031)).is_some());
    // No request begins before P3min after the answer: requests are at least one exchange apart.
    let tb = pair.conductor.client.character();
    let shortest = crate::kline::Timing::DEFAULT.shortest_exchange(6, 9, tb);
    for two in pair.peer.asked.windows(2).skip(2) {
        assert!(two[1].0.since(two[0].0) >= shortest, "{two:?}");
    }
    let times: Vec<_> = pair
        .events
        .iter()
        .filter_map(|(_, e)| match e {
            Event::Read { times, .. } => Some(*times),
            _ => None,
        })
        .collect();
    assert!(times.len() >= 5);
    assert!(times.iter().all(|t| t.answering.since(t.asked) == MS(26)));
}

#[test]
fn an_idle_session_is_kept_alive() {
    let mut pair = Pair::up();
    pair.conductor.want(0, None, pair.now);
    let before = pair.peer.asked.len();
    pair.run(S(20));
    assert!(pair.peer.awake);
    // One reading may have been on the wire.
    assert!(pair.requests()[before + 1..].iter().all(|r| *r == [0x3E, 0x01]));
    assert!(pair.requests().len() - before >= 7);
}

#[test]
fn no_answer_is_asked_three_times_then_the_controller_is_woken_again() {
    let mut pair = Pair::up();
    pair.cut = true;
    pair.run(S(1));
    let tries: Vec<u8> = pair
        .events
        .iter()
        .filter_map(|(_, e)| match e {
            Event::Fault { fault: WireFault::NoAnswer, attempt, request } if *request == READ => {
                Some(*attempt)
            }
            _ => None,
        })
        .collect();
    assert_eq!(tries, [1, 2, 3]);
    assert!(pair.happened(|e| matches!(e, Event::Down(_))).is_some());
    pair.cut = false;
    pair.run(S(12));
    assert!(pair.conductor.is_up());
}

#[test]
fn pending_waits_busy_repeats_and_a_stranger_is_ignored() {
    let mut turn = 0;
    let mut pair = Pair::new(config(), move |_, request| {
        if request != READ {
            return vec![Say::Usual];
        }
        turn += 1;
        match turn {
            1 => vec![Say::Data(vec![0x7F, 0x21, 0x78]), Say::Data(vec![0x7F, 0x21, 0x78]), Say::Usual],
            2 => vec![Say::Data(vec![0x7F, 0x21, 0x21])],
            3 => vec![Say::Data(vec![0x61, 0xA1, 1, 2, 3]), Say::Usual],
            4 => vec![Say::Spoiled],
            _ => vec![Say::Usual],
        }
    });
    pair.conductor.start(Moment::ZERO, Vec::new());
    pair.conductor.want(0, Some(MS(300)), Moment::ZERO);
    pair.run(S(4));
    assert!(pair.conductor.is_up());
    let faults: Vec<WireFault> = pair.conductor.tally().faults.keys().copied().collect();
    assert_eq!(faults, [WireFault::Checksum, WireFault::Stranger]);
    assert!(pair.events.iter().filter(|(_, e)| matches!(e, Event::Read { .. })).count() >= 5);
}

#[test]
fn a_hold_is_released_as_the_very_next_request_and_proven() {
    let mut pair = Pair::up();
    pair.conductor.engage(pair.now, hold(S(30)));
    pair.run(S(2));
    assert!(pair.peer.held);
    let asked = pair.peer.asked.len();
    pair.conductor.release(pair.now, &OutputId::new("idle_valve").unwrap(), ReleaseCause::ScopeLeft);
    pair.run(S(1));
    // What was already on the wire may end first; the release follows it at once.
    let after: Vec<_> = pair.requests()[asked..].to_vec();
    let place = after.iter().position(|r| *r == [0x30, 0x51, 0x00]).unwrap();
    assert!(place <= 1, "{after:02X?}");
    assert!(!pair.peer.held);
    let proven = |e: &Event| matches!(e, Event::Released { proof: ReleaseProof::ControllerAndEffect, .. });
    assert!(pair.happened(proven).is_some());
}

#[test]
fn while_held_readings_go_on_at_no_less_than_half_their_rate() {
    let mut pair = Pair::up();
    let count = |pair: &Pair| pair.events.iter().filter(|(_, e)| matches!(e, Event::Read { .. })).count();
    let before = count(&pair);
    pair.run(S(10));
    let free = count(&pair) - before;
    pair.conductor.engage(pair.now, HoldSpec { refresh: Some(MS(1_000)), ..hold(S(60)) });
    let before = count(&pair);
    pair.run(S(10));
    let held = count(&pair) - before;
    assert!(held * 2 >= free, "{free} readings in 10 s, {held} while held");
}

#[test]
fn a_release_that_a_pending_answer_blocks_does_not_wait_for_it() {
    let mut turn = 0;
    let mut pair = Pair::new(config(), move |_, request| {
        turn += 1;
        match request {
            // From the second second on, readings stay pending for ever.
            [0x21, ..] if turn > 12 => vec![Say::Data(vec![0x7F, 0x21, 0x78])],
            _ => vec![Say::Usual],
        }
    });
    pair.conductor.start(Moment::ZERO, Vec::new());
    pair.conductor.want(0, Some(MS(100)), Moment::ZERO);
    pair.run(S(1));
    pair.conductor.engage(pair.now, HoldSpec { effect: None, ..hold(S(3)) });
    pair.run(S(6));
    assert!(!pair.peer.held);
    assert!(pair.peer.longest_hold <= S(3), "{}", pair.peer.longest_hold);
}

#[test]
fn an_overdue_refresh_never_lets_a_hold_outlive_its_window() {
    for at_most in (1_500..9_000).step_by(60) {
        let mut pair = Pair::up();
        pair.conductor.engage(pair.now, HoldSpec { refresh: Some(S(1)), effect: None, ..hold(MS(at_most)) });
        pair.run(MS(at_most) + S(4));
        assert!(!pair.peer.held);
        let longest = pair.peer.longest_hold;
        assert!(longest > Span::ZERO && longest <= MS(at_most), "{longest} of {at_most} ms");
    }
}

#[test]
fn a_release_does_not_wait_for_an_answer_that_is_put_off_after_it_was_wished() {
    let stop = std::rc::Rc::new(std::cell::Cell::new(false));
    let stopped = stop.clone();
    let mut pair = Pair::new(config(), move |_, request| match request {
        [0x21, ..] if stopped.get() => vec![Say::Data(vec![0x7F, 0x21, 0x78])],
        _ => vec![Say::Usual],
    });
    pair.conductor.start(Moment::ZERO, Vec::new());
    pair.conductor.want(0, Some(MS(100)), Moment::ZERO);
    pair.run(S(2));
    pair.conductor.engage(pair.now, HoldSpec { effect: None, ..hold(S(30)) });
    pair.run(S(1));
    assert!(pair.peer.held);
    // Until a reading is on its way, unanswered.
    while pair.conductor.owner != Some(Owner::Read(0)) || pair.conductor.client.last_asked().is_none() {
        pair.run(MS(1));
    }
    stop.set(true);
    pair.conductor.release_all(pair.now, ReleaseCause::Stop);
    let wished = pair.now;
    pair.run(S(1));
    let released =
        pair.peer.asked.iter().find(|(at, request)| *at > wished && request[..] == [0x30, 0x51, 0x00]);
    assert!(released.is_some_and(|(at, _)| at.since(wished) < MS(400)), "{:02X?}", pair.peer.asked.last());
    assert!(!pair.peer.held);
    let proven = |e: &Event| matches!(e, Event::Released { proof: ReleaseProof::Controller, .. });
    assert!(pair.happened(proven).is_some());
}

#[test]
fn a_controller_that_keeps_talking_is_not_taken_to_have_timed_out() {
    let mut pair = Pair::new(config(), |_, request| match request {
        [0x30, _, 0x00] => vec![Say::Data(vec![0x7F, 0x30, 0x78]); 20],
        _ => vec![Say::Usual],
    });
    pair.conductor.start(Moment::ZERO, Vec::new());
    pair.run(S(2));
    pair.conductor.engage(pair.now, HoldSpec { effect: None, ..hold(S(30)) });
    pair.run(S(1));
    pair.conductor.release_all(pair.now, ReleaseCause::Stop);
    pair.run(S(30));
    let timeout = |e: &Event| matches!(e, Event::Released { proof: ReleaseProof::ControllerTimeout, .. });
    let told = pair.happened(timeout).expect("in the end it falls silent");
    let last = *pair.heard.iter().filter(|at| **at <= told).max().expect("it talked");
    assert!(told.since(last) >= S(5), "{} after its last word", told.since(last));
}

#[test]
fn an_answer_to_another_request_of_the_same_service_proves_no_release() {
    for lie in [vec![0x70, 0x51, 0x07, 40], vec![0x70, 0x99, 0x00]] {
        let mut pair = Pair::new(config(), move |_, request| match request {
            [0x30, _, 0x00] => vec![Say::Data(lie.clone())],
            _ => vec![Say::Usual],
        });
        pair.peer.deaf_to_release = true;
        pair.conductor.start(Moment::ZERO, Vec::new());
        pair.run(S(2));
        pair.conductor.engage(pair.now, HoldSpec { effect: None, ..hold(S(30)) });
        pair.run(S(1));
        pair.conductor.release_all(pair.now, ReleaseCause::Stop);
        pair.run(S(20));
        let lied = |e: &Event| matches!(e, Event::Released { proof: ReleaseProof::Controller, .. });
        assert_eq!(pair.happened(lied), None);
    }
}

#[test]
fn silence_for_one_output_does_not_withhold_the_release_of_another() {
    let mut pair = Pair::new(config(), |_, request| match request {
        [0x30, 0x51, 0x00] => vec![Say::Data(vec![0x7F, 0x30, 0x22])],
        _ => vec![Say::Usual],
    });
    pair.conductor.start(Moment::ZERO, Vec::new());
    pair.run(S(2));
    pair.conductor.engage(pair.now, HoldSpec { effect: None, ..hold(S(30)) });
    pair.run(S(1));
    let other = HoldSpec {
        output: OutputId::new("fan").unwrap(),
        engage: vec![0x30, 0x52, 0x07, 1],
        engage_answer: Expected { begins: vec![0x52, 0x07], length: 4 },
        release: vec![0x30, 0x52, 0x00],
        release_answer: Expected { begins: vec![0x52, 0x00], length: 3 },
        effect: None,
        ..hold(S(5))
    };
    pair.conductor.engage(pair.now, other);
    let begun = pair.now;
    pair.run(S(1));
    pair.conductor.release(pair.now, &OutputId::new("idle_valve").unwrap(), ReleaseCause::ScopeLeft);
    pair.run(S(20));
    let released = pair.peer.asked.iter().find(|(_, request)| request[..] == [0x30, 0x52, 0x00]);
    assert!(released.is_some_and(|(at, _)| at.since(begun) <= S(5)), "{:?}", pair.events);
}

#[test]
fn after_a_restart_the_release_is_the_first_thing_said() {
    let mut pair = Pair::new(config(), |_, _| vec![Say::Usual]);
    pair.peer.awake = true;
    pair.peer.held = true;
    pair.conductor.start(Moment::ZERO, vec![hold(S(30))]);
    pair.run(S(2));
    assert_eq!(pair.requests()[0], [0x30, 0x51, 0x00]);
    assert!(!pair.peer.held);
    assert!(pair.conductor.is_up(), "{:?}", pair.events);
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(200))]
    #[test]
    fn no_hold_outlives_its_window_on_a_bad_wire(
        odds in prop::collection::vec(0..12_u8, 1..200),
        cuts in prop::collection::vec((0..8_000_i64, 0..3_000_i64), 0..3),
        at_most in 500..6_000_i64,
        stop in 0..8_000_i64,
    ) {
        let mut turn = 0;
        let mut pair = Pair::new(config(), move |_, request| {
            turn += 1;
            let negative = |code| vec![Say::Data(vec![0x7F, request[0], code])];
            match odds[turn % odds.len()] {
                0 => vec![Say::Nothing],
                1 => vec![Say::Spoiled],
                2 if request[0] != 0x81 => negative(0x78),
                3 if request[0] != 0x81 => negative(0x21),
                4 if request[0] == 0x30 => negative(0x22),
                _ => vec![Say::Usual],
            }
        });
        pair.conductor.start(Moment::ZERO, Vec::new());
        pair.conductor.want(0, Some(MS(100)), Moment::ZERO);
        pair.run(S(3));
        let begun = pair.now;
        pair.conductor.engage(pair.now, hold(MS(at_most)));
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
        prop_assert!(!pair.peer.held, "still held");
        // Where a release reaches the controller it is back inside the window; where none does, inside the
        // controller's own timeout after the last word that reached it.
        prop_assert!(pair.peer.longest_hold <= MS(at_most) + RELEASE_SLACK, "{}", pair.peer.longest_hold);
    }

    #[test]
    fn no_hold_outlives_its_window_where_releases_are_heard(
        odds in prop::collection::vec(0..8_u8, 1..200),
        at_most in 700..6_000_i64,
        refresh in 300..4_000_i64,
        stop in 0..8_000_i64,
        effect in any::<bool>(),
    ) {
        let mut turn = 0;
        let mut pair = Pair::new(config(), move |_, request| {
            turn += 1;
            match (request, odds[turn % odds.len()]) {
                // Readings are put off, refused for the moment or spoiled; releases and wake-ups are obeyed.
                ([0x21, ..], 0) => vec![Say::Data(vec![0x7F, 0x21, 0x78]); 3],
                ([0x21, ..], 1) => vec![Say::Data(vec![0x7F, 0x21, 0x21])],
                ([0x21, ..], 2) => vec![Say::Spoiled],
                ([0x30, _, 0x07, ..], 3) => vec![Say::Data(vec![0x7F, 0x30, 0x78]), Say::Usual],
                _ => vec![Say::Usual],
            }
        });
        pair.conductor.start(Moment::ZERO, Vec::new());
        pair.conductor.want(0, Some(MS(100)), Moment::ZERO);
        pair.run(S(3));
        let effect = effect.then_some(0);
        let spec = HoldSpec { refresh: Some(MS(refresh)), effect, ..hold(MS(at_most)) };
        pair.conductor.engage(pair.now, spec);
        pair.run(MS(stop));
        pair.conductor.release_all(pair.now, ReleaseCause::Stop);
        pair.run(S(30));
        prop_assert!(!pair.peer.held);
        prop_assert!(pair.peer.longest_hold <= MS(at_most), "{}", pair.peer.longest_hold);
    }
}

/// Releases that the bad wire swallows are repeated for the release budget, then there is silence until the
/// controller's timeout.
const RELEASE_SLACK: Span = Span::from_millis(3_000 + 5_250 + 1_500);
