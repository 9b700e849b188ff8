//! Every command has exactly one reply, and it is the right one.

use model::event::NoteValue;
use model::{Command, Ending, Event, Moment, Reply, Span, StepId};

use super::controller::Say;
use super::sides::{Hands, pick};
use super::world::{World, refusal};
use super::{MS, READ, S, channel, gate, rpm_above};

#[test]
fn every_command_gets_exactly_one_reply_and_it_is_its_own() {
    let mut world = World::new();
    world.hands = Hands::that_take(MS(700));
    let told = world.run(|script| {
        let step = StepId::new("look").unwrap();
        let rpm = channel("rpm");
        let recorded = [
            Command::Caution { lines: vec!["keep clear of the fan".into()] },
            Command::BeginStep { step: step.clone(), title: "Look".into() },
            Command::Note { key: "seen".into(), value: NoteValue::Flag(true) },
            Command::Remark { text: "hello".into() },
            Command::Poll { channels: vec![rpm.clone()], period: MS(200) },
            Command::Guard { conditions: vec![rpm_above(4_000.0)] },
        ];
        for command in recorded {
            assert_eq!(script.ask(command), Reply::Done);
        }
        let waited = script.ask(Command::Wait { gate: gate(rpm_above(100.0), Span::ZERO, S(10)) });
        assert!(matches!(waited, Reply::Waited { .. }), "{waited:?}");
        let measured = script.ask(Command::Measure { channel: rpm.clone(), name: "rpm".into(), over: S(1) });
        assert!(matches!(measured, Reply::Measured { .. }), "{measured:?}");
        let latest = script.ask(Command::Latest { channel: rpm, within: S(1) });
        assert!(matches!(latest, Reply::Latest { .. }), "{latest:?}");
        let engaged = script.engage(S(10), vec![]);
        assert!(matches!(engaged, Reply::Engaged { .. }), "{engaged:?}");
        let answered = script.pause(S(5));
        assert_eq!(answered, Reply::Answered { answer: Some("done".into()) });
        let codes = script.ask(Command::ReadCodes);
        assert!(matches!(codes, Reply::Codes { .. }), "{codes:?}");
        let released = script.release();
        assert!(matches!(released, Reply::Released { .. }), "{released:?}");
        let skip = Command::SkipStep { step: step.clone(), reason: "no choke fitted".into() };
        assert_eq!(script.ask(skip), Reply::Done);
        assert_eq!(script.ask(Command::EndStep { step, ending: Ending::Passed }), Reply::Done);
        let over = script.stop("the test");
        assert!(matches!(over, Reply::Over { ending: Ending::Stopped, .. }), "{over:?}");
    });
    assert_eq!(told.replies, 16);
    assert_eq!(told.end.ending, Ending::Stopped);
    // What the script told is in the record, in its order.
    let told_by_script = pick(&told.events, |event| match event {
        Event::CautionsShown { .. } => Some("caution"),
        Event::StepStarted { .. } => Some("step"),
        Event::Noted { .. } => Some("note"),
        Event::Remark { .. } => Some("remark"),
        Event::Measured { .. } => Some("measured"),
        Event::Prompted { .. } => Some("prompt"),
        Event::Answered { .. } => Some("answer"),
        Event::CodesRead { .. } => Some("codes"),
        Event::StepSkipped { .. } => Some("skip"),
        Event::StepEnded { .. } => Some("end"),
        _ => None,
    });
    let words: Vec<&str> = told_by_script.into_iter().map(|(_, word)| word).collect();
    let expected =
        ["caution", "step", "note", "remark", "measured", "prompt", "answer", "codes", "skip", "end"];
    assert_eq!(words, expected);
}

#[test]
fn an_unknown_channel_is_refused_with_the_nearest_name() {
    World::new().run(|script| {
        let reply = script.ask(Command::Poll { channels: vec![channel("rmp")], period: S(1) });
        assert_eq!(refusal(&reply), "channel rmp: the car has no such channel (did you mean 'rpm'?)");
        let reply = script.ask(Command::Latest { channel: channel("valve_hold"), within: S(1) });
        assert!(refusal(&reply).ends_with("(did you mean 'valve_held'?)"), "{reply:?}");
        let measure = Command::Measure { channel: channel("oil"), name: "oil".into(), over: S(1) };
        let reply = script.ask(measure);
        assert!(refusal(&reply).ends_with("(see the description's channels)"), "{reply:?}");
    });
}

#[test]
fn no_time_at_all_is_refused_for_a_period_and_a_measurement() {
    let told = World::new().run(|script| {
        let reply = script.ask(Command::Poll { channels: vec![channel("rpm")], period: Span::ZERO });
        assert!(refusal(&reply).contains("the period is 0 ms"), "{reply:?}");
        let measure = Command::Measure { channel: channel("rpm"), name: "x".into(), over: MS(-1) };
        let reply = script.ask(measure);
        assert!(refusal(&reply).contains("above zero"), "{reply:?}");
    });
    assert_eq!(told.heard(&READ), 0);
}

#[test]
fn a_poll_reads_at_its_period() {
    let told = World::new().run(|script| {
        script.link_up();
        script.ask(Command::Poll { channels: vec![channel("rpm")], period: MS(500) });
        script.pause(S(10));
    });
    let times: Vec<Moment> = told.controller.look().asked.iter().map(|(at, _)| *at).collect();
    let count = times.iter().filter(|at| **at > told.at - S(8)).count();
    // Two a second for eight seconds, and the farewell.
    assert!((16..=18).contains(&count), "{count}");
}

#[test]
fn a_measurement_gives_mean_count_and_rate() {
    let told = World::new().run(|script| {
        script.link_up();
        let reply = script.ask(Command::Measure { channel: channel("rpm"), name: "idle".into(), over: S(3) });
        let Reply::Measured { estimate: Some(estimate), readings, rate } = reply else { panic!("{reply:?}") };
        // A constant 800 r/min, known to one count of half a revolution: the rectangle is never wider than
        // itself (JCGM 100:2008, F.2.2.1).
        assert_eq!(estimate.value, 800.0);
        assert!(estimate.low >= 799.75 && estimate.high <= 800.25, "{estimate}");
        assert_eq!(estimate.unit.code(), "{rev}/min");
        assert!((rate - readings as f64 / 3.0).abs() < 1e-12);
    });
    let measured = pick(&told.events, |event| match event {
        Event::Measured { name, readings, .. } => Some((name.clone(), *readings)),
        _ => None,
    });
    let (end, (name, readings)) = &measured[0];
    assert_eq!(name, "idle");
    // Exactly the readings whose time lies inside the three seconds.
    let inside = |at: Moment| at >= *end - S(3) && at < *end;
    let recorded = told.samples.iter().filter(|s| s.channel == channel("rpm") && inside(s.at)).count();
    assert_eq!(*readings, recorded as u64);
    assert!(recorded >= 19, "{recorded}");
}

#[test]
fn a_measurement_without_readings_has_no_mean() {
    let world = World::with(|_, request| if request == READ { Say::Refuse(0x22) } else { Say::Usual });
    world.run(|script| {
        let reply = script.ask(Command::Measure { channel: channel("rpm"), name: "idle".into(), over: S(2) });
        assert_eq!(reply, Reply::Measured { estimate: None, readings: 0, rate: 0.0 });
    });
}

#[test]
fn the_latest_reading_is_waited_for_and_an_old_one_is_none() {
    let silent_from = Moment::ZERO + S(3);
    let world = World::with(
        move |at, request| {
            if request == READ && at > silent_from { Say::Refuse(0x22) } else { Say::Usual }
        },
    );
    let told = world.run(|script| {
        // The link is not even up yet: the reading is waited for.
        let reply = script.ask(Command::Latest { channel: channel("rpm"), within: S(2) });
        assert!(matches!(&reply, Reply::Latest { sample: Some(s) } if s.value == 800.0), "{reply:?}");
        script.pause(S(4));
        let reply = script.ask(Command::Latest { channel: channel("rpm"), within: S(1) });
        assert_eq!(reply, Reply::Latest { sample: None });
        // An old one will do where that is said.
        let reply = script.ask(Command::Latest { channel: channel("rpm"), within: S(60) });
        assert!(matches!(reply, Reply::Latest { sample: Some(_) }), "{reply:?}");
    });
    assert!(told.samples.iter().all(|sample| sample.at <= silent_from));
}

#[test]
fn a_prompt_has_its_answer_or_none_within_its_limit() {
    let mut world = World::new();
    world.hands = Hands::that_take(S(3));
    let told = world.run(|script| {
        assert_eq!(script.pause(S(10)), Reply::Answered { answer: Some("done".into()) });
        assert_eq!(script.pause(S(2)), Reply::Answered { answer: None });
        assert_eq!(script.pause(Span::ZERO), Reply::Answered { answer: None });
    });
    let prompted = pick(&told.events, |e| matches!(e, Event::Prompted { .. }).then_some(()));
    let answered = pick(&told.events, |e| matches!(e, Event::Answered { .. }).then_some(()));
    assert_eq!((prompted.len(), answered.len()), (3, 1));
    assert_eq!(answered[0].0.since(prompted[0].0), S(3));
    assert_eq!(prompted[2].0.since(prompted[1].0), S(2));
    assert!(told.shown.iter().any(|(_, words)| words == "waiting for an answer"));
}

#[test]
fn stopping_twice_changes_nothing() {
    let world = World::new();
    let (first, second) = (world.stop.clone(), world.stop.clone());
    let told = world.run(move |script| {
        script.link_up();
        script.engage(S(10), vec![]);
        let reply = script.stop("the script");
        assert!(matches!(reply, Reply::Over { ending: Ending::Stopped, .. }), "{reply:?}");
        first.raise("ctrl-c");
        second.raise("ctrl-c again");
        let reply = script.stop("the script once more");
        let why = "stopped by the script".to_string();
        assert_eq!(reply, Reply::Over { ending: Ending::Stopped, why });
    });
    assert_eq!(told.end.why.as_deref(), Some("stopped by the script"));
    assert_eq!(told.releasing().len(), 1);
    assert_eq!(told.heard(&super::RELEASE), 1);
}

#[test]
fn what_a_person_says_beside_any_question_is_recorded_at_its_moment_and_answers_nothing() {
    let mut world = World::new();
    let moments = [Moment::ZERO + MS(2_500), Moment::ZERO + MS(4_000)];
    world.hands.says = moments.iter().map(|at| (*at, "here".to_string())).collect();
    let told = world.run(|script| {
        script.link_up();
        let reply = script.pause(S(6));
        assert!(matches!(reply, Reply::Answered { answer: None }), "{reply:?}");
    });
    let marked = pick(&told.events, |event| matches!(event, Event::Marked { .. }).then_some(()));
    assert_eq!(marked.iter().map(|(at, ())| *at).collect::<Vec<_>>(), moments);
}

#[test]
fn reading_goes_on_until_the_run_is_over() {
    let told = World::new().run(|script| {
        script.ask(Command::Poll { channels: vec![channel("rpm")], period: MS(200) });
        // It trips once the engine has been seen.
        script.ask(Command::Guard { conditions: vec![rpm_above(100.0)] });
        let reply = script.ask(Command::KeepReading);
        assert!(matches!(reply, Reply::Over { ending: Ending::Stopped, .. }), "{reply:?}");
    });
    assert!(!told.samples.is_empty());
}
