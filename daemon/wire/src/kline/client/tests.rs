use model::event::WireFault;
use proptest::prelude::*;

use super::*;
use crate::Reason;

const MS: fn(i64) -> Span = Span::from_millis;

/// Runs a client alone until `end`, with its echo, and notes when it put what on the line.
fn run(
    client: &mut Client,
    from: Moment,
    end: Moment,
    echo: impl Fn(usize, u8) -> u8,
) -> Vec<(Moment, Transmit)> {
    let mut now = from;
    let mut sent = Vec::new();
    let mut coming: VecDeque<Received> = VecDeque::new();
    let mut count = 0;
    loop {
        while let Some(transmit) = client.poll_transmit() {
            sent.push((now, transmit));
            if let Transmit::Byte(byte) = transmit {
                let end = now + client.character();
                coming.push_back(Received { byte: echo(count, byte), end, broken: false });
                count += 1;
            }
        }
        let deadline = client.deadline().map(|d| d.at);
        let Some(next) = [deadline, coming.front().map(|c| c.end)].into_iter().flatten().min() else {
            return sent;
        };
        if next > end {
            return sent;
        }
        now = now.max(next);
        match coming.front() {
            Some(one) if one.end <= now => {
                let one = *one;
                coming.pop_front();
                client.bytes(now, &[one]);
            }
            _ => client.timeout(now),
        }
    }
}

#[test]
fn the_fast_wake_up_has_the_published_shape() {
    // Regulation (EU) 2016/799, Annex IC, Appendix 8, Table 3: TiniL 25 +-1 ms, TWuP 50 +-1 ms; P4 from
    // Table 4. The request's bytes: start-communication in the addressed form, checksum by hand.
    let mut client = Client::new(ClientConfig::new(10_400, 0x2A, 0xF1));
    client.wake(Moment::ZERO);
    assert_eq!(client.deadline().unwrap().reason, Reason::BusIdle);
    let sent = run(&mut client, Moment::ZERO, Moment::ZERO + MS(420), |_, byte| byte);
    let start = Moment::ZERO + MS(300);
    assert_eq!(sent[0], (start, Transmit::Low));
    assert_eq!(sent[1], (start + MS(25), Transmit::High));
    let bytes: Vec<u8> = sent[2..]
        .iter()
        .filter_map(|(_, t)| match t {
            Transmit::Byte(byte) => Some(*byte),
            _ => None,
        })
        .collect();
    assert_eq!(bytes, [0x81, 0x2A, 0xF1, 0x81, 0x1D]);
    assert_eq!(sent[2].0, start + MS(50));
    for two in sent[2..].windows(2) {
        assert_eq!(two[1].0.since(two[0].0), client.character() + MS(5));
    }
}

#[test]
fn an_echo_that_differs_ends_the_attempt_at_once() {
    let mut client = Client::new(ClientConfig::new(10_400, 0x2A, 0xF1));
    client.assume_connected(Moment::ZERO);
    client.request(Moment::ZERO, &[0x21, 0xA1], &[0xA1]).unwrap();
    let sent =
        run(&mut client, Moment::ZERO, Moment::ZERO + MS(64), |i, byte| if i == 1 { byte ^ 4 } else { byte });
    assert_eq!(sent.len(), 2, "nothing more is sent over a collision");
    let Some(Event::Fault { fault: WireFault::Echo, attempt: 1, .. }) = client.poll_event() else {
        panic!("no echo fault")
    };
}

#[test]
fn without_an_expected_echo_none_is_wanted() {
    let mut config = ClientConfig::new(10_400, 0x2A, 0xF1);
    config.echo = false;
    let mut client = Client::new(config);
    client.assume_connected(Moment::ZERO);
    client.request(Moment::ZERO, &[0x3E, 0x02], &[]).unwrap();
    while let Some(deadline) = client.deadline() {
        client.timeout(deadline.at);
    }
    assert!(matches!(client.poll_event(), Some(Event::Answered(answer)) if answer.data.is_empty()));
}

#[test]
fn a_request_in_flight_refuses_another() {
    let mut client = Client::new(ClientConfig::new(10_400, 0x2A, 0xF1));
    assert_eq!(client.request(Moment::ZERO, &[0x3E], &[]), Err(Failure::NotReady));
    client.assume_connected(Moment::ZERO);
    client.request(Moment::ZERO, &[0x3E, 0x01], &[]).unwrap();
    assert_eq!(client.request(Moment::ZERO, &[0x3E, 0x01], &[]), Err(Failure::NotReady));
}

/// On a line where a character comes every 40 ms, and P3min is 55 ms: when the first one of a request leaves.
fn leaves(insists: bool) -> Option<Span> {
    let mut client = Client::new(ClientConfig::new(10_400, 0x2A, 0xF1));
    client.assume_connected(Moment::ZERO);
    let begun = Moment::ZERO + MS(500);
    let stray = |end| [Received { byte: 0x55, end, broken: false }];
    client.bytes(begun, &stray(begun));
    client.request(begun, &[0x3E, 0x01], &[]).unwrap();
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
    let rate = 10_400;
    assert_eq!(leaves(true), Some(Span::from_nanos(10 * 1_000_000_000 / rate) * 260));
    assert_eq!(leaves(false), None);
}

proptest! {
    #[test]
    fn any_bytes_at_any_time_never_panic_and_never_hang(
        bytes in prop::collection::vec((any::<u8>(), 0..80_i64, any::<bool>(), 0..6_u8), 0..120)
    ) {
        let mut client = Client::new(ClientConfig::new(10_400, 0x2A, 0xF1));
        client.wake(Moment::ZERO);
        let mut now = Moment::ZERO;
        for (byte, wait, broken, act) in bytes {
            now += MS(wait);
            match act {
                0 => client.timeout(now),
                1 => client.hurry(now),
                2 => { let _ = client.request(now, &[0x21, byte], &[byte]); }
                3 => client.wake(now),
                _ => client.bytes(now, &[Received { byte, end: now, broken }]),
            }
            while client.poll_transmit().is_some() {}
            while let Some(event) = client.poll_event() {
                if let Event::Answered(answer) = event {
                    prop_assert!(answer.times.asked <= answer.times.answering);
                    prop_assert!(answer.times.answering <= answer.times.answered);
                }
            }
        }
        // Left alone it comes to rest: every wait has an end.
        for _ in 0..500 {
            let Some(deadline) = client.deadline() else { break };
            now = now.max(deadline.at);
            client.timeout(now);
            while client.poll_transmit().is_some() {}
            while client.poll_event().is_some() {}
        }
        prop_assert!(client.is_idle());
    }
}
