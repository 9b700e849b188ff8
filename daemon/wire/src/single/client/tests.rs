use proptest::prelude::*;

use super::*;
use crate::dialect::Received;

const MS: fn(i64) -> Span = Span::from_millis;
const PROBE: u8 = 0x31;

fn answer(length: usize) -> Expected {
    Expected { begins: Vec::new(), length }
}

fn config() -> SingleConfig {
    SingleConfig::new(12_500, vec![PROBE], answer(1))
}

/// What the other end says to a request: bytes, each this long after the one before it has ended.
type Say = Vec<(Span, u8)>;

/// A client with its echo and a controller that is told what to say, stepped from deadline to deadline.
struct Bench<S> {
    client: Client,
    now: Moment,
    line_free: Moment,
    coming: VecDeque<Received>,
    sent: Vec<(Moment, u8)>,
    events: Vec<(Moment, Event)>,
    say: S,
}

impl<S: FnMut(&[(Moment, u8)]) -> Say> Bench<S> {
    /// Awake.
    fn new(config: SingleConfig, say: S) -> Self {
        let mut client = Client::new(config);
        client.assume_connected(Moment::ZERO);
        Self {
            client,
            now: Moment::ZERO,
            line_free: Moment::ZERO,
            coming: VecDeque::new(),
            sent: Vec::new(),
            events: Vec::new(),
            say,
        }
    }

    fn drain(&mut self) {
        while let Some(transmit) = self.client.poll_transmit() {
            let Transmit::Byte(byte) = transmit else { panic!("this dialect pulls no level") };
            let start = self.line_free.max(self.now);
            let mut end = start + self.client.character();
            self.sent.push((start, byte));
            if self.client.config().echo {
                self.coming.push_back(Received { byte, end, broken: false });
            }
            for (wait, byte) in (self.say)(&self.sent) {
                end = end + wait + self.client.character();
                self.coming.push_back(Received { byte, end, broken: false });
            }
            self.line_free = start + self.client.character();
        }
        while let Some(event) = self.client.poll_event() {
            self.events.push((self.now, event));
        }
    }

    fn run(&mut self, time: Span) {
        let end = self.now + time;
        loop {
            self.drain();
            let deadline = self.client.deadline().map(|d| d.at);
            let next = [deadline, self.coming.front().map(|c| c.end)].into_iter().flatten().min();
            let Some(next) = next.filter(|at| *at <= end) else {
                self.now = end;
                return;
            };
            self.now = self.now.max(next);
            match self.coming.front().copied() {
                Some(one) if one.end <= self.now => {
                    self.coming.pop_front();
                    self.client.bytes(self.now, &[one]);
                }
                _ => self.client.timeout(self.now),
            }
        }
    }

    fn ask(&mut self, request: &[u8], expected: &Expected) {
        self.client.request(self.now, request, expected).unwrap();
        self.run(Span::from_secs(1));
    }

    fn answers(&self) -> Vec<&Answer> {
        let answers = self.events.iter().filter_map(|(_, event)| match event {
            Event::Answered(answer) => Some(answer),
            _ => None,
        });
        answers.collect()
    }

    fn faults(&self) -> Vec<WireFault> {
        let faults = self.events.iter().filter_map(|(_, event)| match event {
            Event::Fault { fault, .. } => Some(*fault),
            _ => None,
        });
        faults.collect()
    }
}

#[test]
fn one_byte_is_answered_by_one_and_takes_two_characters_on_the_wire() {
    // Arithmetic: ten bits at 12 500 Bd are 0.8 ms, so 1.6 ms for an exchange and 625 of them a second.
    let mut bench = Bench::new(config(), |_| vec![(Span::ZERO, 0x7F)]);
    bench.run(MS(100));
    let begun = bench.now;
    for _ in 0..625 {
        bench.client.request(bench.now, &[0x10], &answer(1)).unwrap();
        while !bench.client.is_idle() {
            let next = bench.client.deadline().map_or(Span(1), |d| d.at.since(bench.now));
            bench.drain();
            let coming = bench.coming.front().map_or(next, |c| c.end.since(bench.now));
            bench.run(next.min(coming).max(Span(0)));
        }
    }
    assert_eq!(bench.now.since(begun), Span::from_secs(1));
    assert_eq!(bench.answers().len(), 625);
    assert_eq!(bench.client.shortest_exchange(1, 1), Span::from_micros(1_600));
}

#[test]
fn a_sequence_keeps_its_gaps_and_an_answer_its_beginning() {
    let mut config = config();
    config.byte_gap = MS(3);
    let say = |sent: &[(Moment, u8)]| match sent {
        [.., (_, 0xA0), (_, 40)] => vec![(MS(1), 0xC1), (MS(1), 40)],
        _ => Vec::new(),
    };
    let mut bench = Bench::new(config, say);
    bench.ask(&[0xA0, 40], &Expected { begins: vec![0xC1], length: 2 });
    assert_eq!(bench.sent.len(), 2);
    assert_eq!(bench.sent[1].0.since(bench.sent[0].0), bench.client.character() + MS(3));
    let answers = bench.answers();
    assert_eq!(answers[0].data, [0xC1, 40]);
    let times = answers[0].times;
    assert_eq!(times.asked, bench.sent[1].0 + bench.client.character());
    assert_eq!(
        (times.answering, times.answered),
        (times.asked + MS(1), times.asked + MS(2) + bench.client.character() * 2)
    );
}

#[test]
fn another_beginning_is_no_answer_and_the_request_is_sent_again_after_silence() {
    let mut turn = 0;
    let say = move |_: &[(Moment, u8)]| {
        turn += 1;
        vec![(Span::ZERO, if turn == 1 { 0xEE } else { 0xC1 })]
    };
    let mut bench = Bench::new(config(), say);
    bench.ask(&[0xA0], &Expected { begins: vec![0xC1], length: 1 });
    assert_eq!(bench.faults(), [WireFault::Stranger]);
    assert_eq!(bench.answers()[0].data, [0xC1]);
    let first_answer = bench.sent[0].0 + bench.client.character() * 2;
    assert_eq!(bench.sent[1].0, first_answer + MS(50));
}

#[test]
fn a_wrong_echo_ends_the_attempt_and_what_is_left_of_the_request_is_not_sent() {
    let mut config = config();
    config.byte_gap = MS(2);
    let mut client = Client::new(config);
    client.assume_connected(Moment::ZERO);
    client.request(Moment::ZERO, &[0xA0, 40], &answer(1)).unwrap();
    let mut now = Moment::ZERO + MS(50);
    client.timeout(now);
    assert_eq!(client.poll_transmit(), Some(Transmit::Byte(0xA0)));
    now += client.character();
    client.bytes(now, &[Received { byte: 0xA4, end: now, broken: false }]);
    assert!(matches!(client.poll_event(), Some(Event::Fault { fault: WireFault::Echo, attempt: 1, .. })));
    assert_eq!(client.poll_transmit(), None);
    assert_eq!(client.deadline(), Some(Deadline::new(now + MS(50), Reason::RequestGap)));
    // The second attempt begins at the first byte again.
    client.timeout(now + MS(50));
    assert_eq!(client.poll_transmit(), Some(Transmit::Byte(0xA0)));
}

#[test]
fn a_lost_byte_of_an_answer_breaks_it_off_and_a_lost_echo_is_missed() {
    let mut bench = Bench::new(config(), |_| vec![(Span::ZERO, 1)]);
    bench.ask(&[0x10], &answer(2));
    assert_eq!(bench.faults(), [WireFault::Incomplete; 3]);
    assert!(bench.events.iter().any(|(_, e)| *e == Event::Failed(WireFault::Incomplete)));
    // Between two attempts there is silence, counted from the last byte.
    assert!(bench.sent.windows(2).all(|two| two[1].0.since(two[0].0) >= MS(50)));

    let mut client = Client::new(config());
    client.assume_connected(Moment::ZERO);
    client.request(Moment::ZERO, &[0x10], &answer(1)).unwrap();
    client.timeout(Moment::ZERO + MS(50));
    let until = client.deadline().unwrap();
    assert_eq!(until, Deadline::new(Moment::ZERO + MS(70) + client.character() * 2, Reason::Answer));
    client.timeout(until.at);
    assert!(matches!(client.poll_event(), Some(Event::Fault { fault: WireFault::Echo, .. })));
}

#[test]
fn a_late_answer_is_not_taken_for_the_one_to_the_next_attempt() {
    // It comes when its time is over: in the silence behind it, and when the next attempt is being sent.
    for (wait, faults, stray) in
        [(25, vec![WireFault::NoAnswer], 1), (50, vec![WireFault::NoAnswer, WireFault::Echo], 2)]
    {
        let mut turn = 0;
        let say = move |_: &[(Moment, u8)]| {
            turn += 1;
            if turn == 1 { vec![(MS(wait) - Span(1), 0x11)] } else { vec![(Span::ZERO, 0x22)] }
        };
        let mut bench = Bench::new(config(), say);
        bench.ask(&[0x10], &answer(1));
        let last = bench.answers().pop().map(|answer| answer.data.clone());
        assert_eq!((bench.faults(), bench.client.stray()), (faults, stray), "{wait} ms");
        assert_eq!(last, Some(vec![0x22]), "the late one belongs to nothing");
    }
}

#[test]
fn what_comes_unasked_is_left_to_end_before_anything_is_asked() {
    let mut bench = Bench::new(config(), |_| vec![(Span::ZERO, 1)]);
    bench.run(MS(200));
    let noise = bench.now;
    bench.client.bytes(noise, &[Received { byte: 0x55, end: noise, broken: true }]);
    bench.ask(&[0x10], &answer(1));
    assert_eq!(bench.sent[0].0, noise + MS(50));
    assert_eq!((bench.answers().len(), bench.faults().len()), (1, 0));
}

#[test]
fn without_an_answer_the_echo_ends_an_exchange_and_without_an_echo_the_last_byte() {
    let mut bench = Bench::new(config(), |_| Vec::new());
    bench.ask(&[0xA1], &answer(0));
    let asked = bench.sent[0].0 + bench.client.character();
    assert_eq!(bench.events[0].0, asked);
    assert_eq!((bench.answers()[0].data.len(), bench.answers()[0].times.answered), (0, asked));

    let mut silent = config();
    silent.echo = false;
    let mut bench = Bench::new(silent, |_| Vec::new());
    bench.ask(&[0xA1], &answer(0));
    assert_eq!(bench.answers().len(), 1);
    bench.ask(&[0x10], &answer(1));
    assert_eq!(bench.faults(), [WireFault::NoAnswer; 3]);
}

#[test]
fn the_controller_is_there_when_it_answers_after_silence() {
    let mut bench = Bench::new(config(), |_| vec![(Span::ZERO, 9)]);
    bench.client.disconnect();
    bench.client.wake(Moment::ZERO);
    bench.run(MS(100));
    assert_eq!(bench.sent, [(Moment::ZERO + MS(50), PROBE)]);
    assert!(bench.client.is_connected());
    assert_eq!(bench.events[0].1, Event::Up(None));

    let mut bench = Bench::new(config(), |_| Vec::new());
    bench.client.wake(Moment::ZERO);
    bench.run(Span::from_secs(1));
    assert_eq!(bench.events.last().unwrap().1, Event::WakeFailed(WireFault::NoAnswer));
    assert!(!bench.client.is_connected() && bench.client.is_idle());
}

#[test]
fn what_is_more_urgent_goes_before_a_request_that_has_not_begun() {
    let mut client = Client::new(config());
    client.assume_connected(Moment::ZERO);
    client.request(Moment::ZERO, &[0x10], &answer(1)).unwrap();
    assert_eq!(client.request(Moment::ZERO, &[0x11], &answer(1)), Err(Failure::NotReady));
    client.hurry(Moment::ZERO);
    assert!(client.is_idle());
    assert_eq!(client.request(Moment::ZERO, &[], &answer(1)), Err(Failure::Frame(FrameError::Empty)));
    client.request(Moment::ZERO, &[0x12], &answer(1)).unwrap();
    client.timeout(Moment::ZERO + MS(50));
    client.hurry(Moment::ZERO + MS(51));
    let until = client.deadline().unwrap().at;
    client.timeout(until);
    assert!(matches!(client.poll_event(), Some(Event::Fault { attempt: 1, .. })));
    assert_eq!(client.poll_event(), Some(Event::Failed(WireFault::Echo)), "begun, but not repeated");
}

proptest! {
    #[test]
    fn any_bytes_at_any_time_never_panic_and_it_always_comes_to_rest(
        bytes in prop::collection::vec((any::<u8>(), 0..80_i64, any::<bool>(), 0..8_u8), 0..120),
        echo in any::<bool>(),
        gap in 0..3_i64,
        length in 0..4_usize,
    ) {
        let config = SingleConfig { echo, byte_gap: MS(gap), ..config() };
        let mut client = Client::new(config);
        client.wake(Moment::ZERO);
        let mut now = Moment::ZERO;
        for (byte, wait, broken, act) in bytes {
            now += MS(wait);
            match act {
                0 => client.timeout(now),
                1 => client.hurry(now),
                2 => {
                    let expected = Expected { begins: vec![byte; length.min(1)], length };
                    // A client that is busy or not awake says so and is left alone.
                    let _ = client.request(now, &[0x21, byte], &expected);
                }
                3 => client.wake(now),
                4 => client.abandon(now),
                5 => client.assume_connected(now),
                _ => client.bytes(now, &[Received { byte, end: now, broken }]),
            }
            while client.poll_transmit().is_some() {}
            while let Some(event) = client.poll_event() {
                if let Event::Answered(answer) = event {
                    prop_assert!(answer.times.first <= answer.times.asked);
                    prop_assert!(answer.times.asked <= answer.times.answering);
                    prop_assert!(answer.times.answering <= answer.times.answered);
                    prop_assert_eq!(answer.data.len(), length);
                }
            }
        }
        for _ in 0..500 {
            let Some(deadline) = client.deadline() else { break };
            now = now.max(deadline.at);
            client.timeout(now);
            while client.poll_transmit().is_some() {}
            while client.poll_event().is_some() {}
        }
        prop_assert!(client.is_idle());
    }

    #[test]
    fn nothing_is_asked_before_the_line_has_been_silent_behind_a_fault(
        spoil in prop::collection::vec(0..6_u8, 1..40),
    ) {
        let mut turn = 0;
        let say = move |_: &[(Moment, u8)]| {
            turn += 1;
            match spoil[turn % spoil.len()] {
                0 => Vec::new(),
                1 => vec![(MS(0), 1)],
                2 => vec![(MS(40), 1), (MS(1), 2)],
                3 => vec![(MS(0), 1), (MS(0), 2), (MS(0), 3)],
                _ => vec![(MS(0), 1), (MS(0), 2)],
            }
        };
        let mut bench = Bench::new(config(), say);
        for _ in 0..20 {
            bench.ask(&[0x10], &answer(2));
            bench.run(Span::from_secs(1));
        }
        for (at, event) in &bench.events {
            if matches!(event, Event::Fault { .. }) {
                let next = bench.sent.iter().find(|(sent, _)| sent >= at);
                prop_assert!(next.is_none_or(|(sent, _)| sent.since(*at) >= MS(50) - MS(21)));
            }
            if let Event::Answered(answer) = event {
                prop_assert_eq!(&answer.data[..], &[1, 2]);
            }
        }
    }
}

/// On a line where a byte comes every 40 ms, and 50 ms of silence are wanted: when the first byte leaves.
fn leaves(insists: bool) -> Option<Span> {
    let mut bench = Bench::new(config(), |_| vec![(Span::ZERO, 1)]);
    bench.run(MS(200));
    let (begun, client) = (bench.now, &mut bench.client);
    let stray = |end| [Received { byte: 0x55, end, broken: false }];
    client.bytes(begun, &stray(begun));
    client.request(begun, &[0x10], &answer(1)).unwrap();
    if insists {
        client.insist(begun);
    }
    for i in 1..=20 {
        let now = begun + MS(40 * i);
        while let Some(due) = client.deadline().filter(|deadline| deadline.at < now) {
            client.timeout(due.at);
            if client.poll_transmit().is_some() {
                return Some(due.at.since(begun));
            }
        }
        client.bytes(now, &stray(now));
    }
    None
}

#[test]
fn what_insists_is_not_put_off_by_a_line_that_never_falls_silent() {
    // 260 characters of 10 bits, the longest message there is.
    let rate = 12_500;
    assert_eq!(leaves(true), Some(Span::from_nanos(10 * 1_000_000_000 / rate) * 260));
    assert_eq!(leaves(false), None);
}
