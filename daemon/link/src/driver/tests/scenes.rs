//! On the mock transport: what is said is known to the character.

use model::{ChannelId, Command, Ending, Moment, Reply, Span};
use wire::frame::{Addressing, Header, Message};

use super::world::{Told, World};
use super::{MS, READ, S, channel};
use crate::transport::mock::{Mock, Scene, Seen};

fn message(target: u8, source: u8, data: &[u8]) -> Vec<u8> {
    let header = Header::addressed(Addressing::Physical, target, source);
    Message { header, data: data.to_vec() }.encode().unwrap()
}

fn scene(request: &[u8], after: Span, answer: &[u8]) -> Scene {
    Scene {
        expect: message(0x2A, 0xF1, request),
        after,
        answer: message(0xF1, 0x2A, answer),
        times: usize::MAX,
    }
}

/// A controller that wakes, starts its session and answers readings after so long.
fn scenes(after: Span) -> Vec<Scene> {
    vec![
        scene(&[0x81], MS(30), &[0xC1, 0xEF, 0x8F]),
        scene(&[0x10, 0xC3], MS(30), &[0x50, 0xC3]),
        scene(&READ, after, &[0x61, 0xA2, 0x06, 0x40, 0x00]),
        scene(&[0x82], MS(30), &[0xC2]),
    ]
}

fn run(scenes: Vec<Scene>, gone_at: Moment, script: fn(&super::world::Script)) -> (Told, Seen) {
    let seen = Seen::default();
    let keep = std::sync::Arc::new(std::sync::Mutex::new(seen));
    let kept = keep.clone();
    let mut world = World::new();
    world.wrap = Some(Box::new(move |clock, _| {
        let mock = Mock::new(clock, 10_400, scenes).gone_at(gone_at);
        *kept.lock().unwrap() = mock.seen();
        Box::new(mock)
    }));
    let told = world.run(script);
    let seen = keep.lock().unwrap().clone();
    (told, seen)
}

fn rpm_channel() -> ChannelId {
    channel("rpm")
}

#[test]
fn a_samples_time_is_the_middle_between_request_and_answer_and_half_of_it_is_its_uncertainty() {
    for after in [26, 40, 49] {
        let (told, seen) = run(scenes(MS(after)), Moment::NEVER, |script| {
            let reply = script.ask(Command::Latest { channel: channel("rpm"), within: S(5) });
            assert!(matches!(reply, Reply::Latest { sample: Some(_) }), "{reply:?}");
        });
        let requests = seen.requests();
        let asked = requests.iter().find(|(_, bytes)| *bytes == message(0x2A, 0xF1, &READ)).unwrap().0;
        let sample = &told.samples[0];
        assert_eq!((&sample.channel, sample.value), (&rpm_channel(), 800.0));
        assert_eq!(sample.time_uncertainty, MS(after) / 2);
        assert_eq!(sample.at, asked + MS(after) / 2);
    }
}

#[test]
fn what_is_said_on_the_wire_is_the_wake_up_the_session_readings_and_the_farewell() {
    let (told, seen) = run(scenes(MS(30)), Moment::NEVER, |script| {
        script.ask(Command::Latest { channel: channel("rpm"), within: S(5) });
    });
    let mut said: Vec<Vec<u8>> = seen.requests().into_iter().map(|(_, bytes)| bytes).collect();
    // The next reading may have begun before the script had its answer.
    said.dedup();
    let expected: Vec<Vec<u8>> =
        [&[0x81][..], &[0x10, 0xC3], &READ, &[0x82]].iter().map(|data| message(0x2A, 0xF1, data)).collect();
    assert_eq!(said, expected);
    assert_eq!((told.end.ending, told.end.why), (Ending::Passed, None));
    assert!((3..=4).contains(&told.end.tally.exchanges), "{:?}", told.end.tally);
}

#[test]
fn a_port_that_is_pulled_out_ends_the_run_and_answers_the_command_under_way() {
    let at = Moment::ZERO + S(2);
    let (told, _) = run(scenes(MS(30)), at, |script| {
        let measure = Command::Measure { channel: channel("rpm"), name: "rpm".into(), over: S(10) };
        let reply = script.ask(measure);
        assert!(matches!(reply, Reply::Over { ending: Ending::LinkLost, .. }), "{reply:?}");
        // What is asked after the end is answered with the same ending.
        let reply = script.ask(Command::Remark { text: "still here".into() });
        assert!(matches!(reply, Reply::Over { ending: Ending::LinkLost, .. }), "{reply:?}");
    });
    assert_eq!(told.end.ending, Ending::LinkLost);
    assert_eq!(told.end.why.as_deref(), Some("the port is gone: unplugged"));
    assert_eq!(told.at, at);
}

#[test]
fn a_wire_on_which_nothing_answers_ends_the_run_after_the_links_patience() {
    let (told, seen) = run(Vec::new(), Moment::NEVER, |script| {
        let reply = script.ask(Command::Latest { channel: channel("rpm"), within: S(60) });
        assert!(matches!(reply, Reply::Over { ending: Ending::LinkLost, .. }), "{reply:?}");
    });
    assert_eq!(told.at, Moment::ZERO + S(15));
    let why = "no controller answered within 15.0 s: wrong port, wrong description, or the ignition off";
    assert_eq!(told.end.why.as_deref(), Some(why));
    // It kept trying to wake the controller, ever more slowly.
    let said: Vec<u8> = seen.requests().into_iter().flat_map(|(_, bytes)| bytes).collect();
    let wake_up = message(0x2A, 0xF1, &[0x81]);
    assert!(said.chunks(wake_up.len()).all(|one| one == wake_up), "{said:02X?}");
    let tries = said.len() / wake_up.len();
    assert!((4..=12).contains(&tries), "{tries}");
}
