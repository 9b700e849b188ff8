//! Traces, forecasts, counted pauses, silence with leave, and the freeze frame.

use model::{Command, Ending, Event, Moment, Quantity, Reply, Unit};

use super::controller::Say;
use super::sides::pick;
use super::world::{World, refusal};
use super::{MS, S, channel, gate, rpm, rpm_above};

#[test]
fn a_trace_gives_every_usable_reading_of_its_time() {
    let told = World::new().run(|script| {
        script.link_up();
        let reply = script.ask(Command::Trace { channel: channel("rpm"), name: "course".into(), over: S(4) });
        let Reply::Traced { readings } = reply else { panic!("{reply:?}") };
        assert!(readings.len() > 15, "{}", readings.len());
        assert!(readings.windows(2).all(|two| two[0].at < two[1].at));
        assert!(readings.iter().all(|one| (one.value - 800.0).abs() < 1.0), "{readings:?}");
        let none = script.ask(Command::Trace { channel: channel("oil"), name: "x".into(), over: S(1) });
        assert!(refusal(&none).contains("no such channel"), "{none:?}");
        let never = script.ask(Command::Trace { channel: channel("rpm"), name: "x".into(), over: S(0) });
        assert!(matches!(never, Reply::Refused { .. }), "{never:?}");
    });
    let traced = pick(&told.events, |event| match event {
        Event::Traced { readings, over, .. } => Some((*readings, *over)),
        _ => None,
    });
    assert_eq!(traced.len(), 1);
    assert_eq!(traced[0].1.1, S(4));
}

#[test]
fn a_rising_channel_has_a_time_and_a_resting_one_has_none() {
    let world = World::new();
    let controller = world.controller.clone();
    let told = world.run(move |script| {
        script.link_up();
        let forecast = || match script.ask(Command::Forecast { channel: channel("rpm"), level: rpm(1_800.0) })
        {
            Reply::Forecast { time } => time,
            other => panic!("{other:?}"),
        };
        script.pause(S(60));
        assert_eq!(forecast(), None, "it rests");
        for second in 0..130 {
            controller.look().rpm = 2_000.0 - 1_200.0 * (-f64::from(second) / 100.0).exp();
            script.pause(S(1));
        }
        // 2000 - 1200 exp(-t/100) reaches 1800 after 100 ln 6 s: analytic.
        let exact = 100.0 * 6.0f64.ln() - 129.0;
        let time = forecast().expect("it rises");
        assert!(time.low - 8.0 <= exact && exact <= time.high + 8.0, "{time:?} against {exact}");
        let volts = Quantity::new(3.0, Unit::new("V").unwrap());
        let wrong = script.ask(Command::Forecast { channel: channel("rpm"), level: volts });
        assert!(refusal(&wrong).contains("measure different things"), "{wrong:?}");
    });
    assert_eq!(told.end.ending, Ending::Passed);
}

#[test]
fn a_pause_lasts_as_long_as_it_was_asked_for() {
    let told = World::new().run(|script| {
        script.link_up();
        let reply = script.ask(Command::Pause { words: "key off".into(), time: S(20) });
        assert_eq!(reply, Reply::Done);
        script.ask(Command::Remark { text: "after".into() });
    });
    let paused = pick(&told.events, |e| matches!(e, Event::Paused { .. }).then_some(()))[0].0;
    let after = pick(&told.events, |e| matches!(e, Event::Remark { .. }).then_some(()))[0].0;
    let lasted = after.since(paused);
    assert!(lasted >= S(20) && lasted < S(20) + MS(300), "{lasted}");
    assert!(told.shown.iter().any(|(_, words)| words.starts_with("key off: 1")), "{:?}", told.shown);
}

#[test]
fn a_link_that_is_down_with_leave_is_not_lost_and_guards_rest() {
    let world = World::new();
    world.controller.look().cut = vec![(Moment::ZERO + S(8), Moment::ZERO + S(48))];
    let told = world.run(|script| {
        script.link_up();
        let guard = Command::Guard { conditions: vec![rpm_above(5_000.0)] };
        assert_eq!(script.ask(guard), Reply::Done);
        assert_eq!(script.ask(Command::BearSilence { time: S(60) }), Reply::Done);
        assert_eq!(script.ask(Command::Pause { words: "key off".into(), time: S(45) }), Reply::Done);
        let reply = script.ask(Command::Wait { gate: gate(rpm_above(100.0), S(1), S(20)) });
        assert!(matches!(reply, Reply::Waited { outcome: model::event::Outcome::Met, .. }), "{reply:?}");
    });
    assert_eq!(told.end.ending, Ending::Passed, "{:?}", told.end);
}

#[test]
fn leave_ends_and_then_the_link_is_lost_after_the_usual_patience() {
    let world = World::new();
    world.controller.look().cut = vec![(Moment::ZERO + S(8), Moment::NEVER)];
    let told = world.run(|script| {
        script.link_up();
        script.ask(Command::BearSilence { time: S(30) });
        assert!(matches!(script.pause(S(300)), Reply::Over { ending: Ending::LinkLost, .. }));
    });
    // Fifteen seconds of patience after the leave.
    assert!(told.at > Moment::ZERO + S(44) && told.at < Moment::ZERO + S(60), "{:?}", told.at);
}

#[test]
fn a_freeze_frame_is_read_identifier_by_identifier() {
    // SAE J1979, service 02 (from memory); scalings and examples of ISO 15031-5:2006, Annex B.
    let world = World::with(|_, request| match request {
        [0x02, 0x02, 0x00] => Say::Data(vec![0x42, 0x02, 0x00, 0x05, 0x05]),
        [0x02, 0x05, 0x00] => Say::Data(vec![0x42, 0x05, 0x00, 0x7B]),
        [0x02, 0x0C, 0x00] => Say::Data(vec![0x42, 0x0C, 0x00, 0x1A, 0xF8]),
        [0x02, ..] => Say::Refuse(0x12),
        _ => Say::Usual,
    });
    let told = world.run(|script| {
        script.link_up();
        let reply = script.ask(Command::ReadFreezeFrame);
        let Reply::FreezeFrame { code, values } = reply else { panic!("{reply:?}") };
        assert_eq!(code.as_deref(), Some("P0505"));
        let words: Vec<String> = values.iter().map(|(name, value)| format!("{name} {value}")).collect();
        assert_eq!(words, ["coolant temperature 83 °C", "engine speed 1726 r/min"]);
    });
    assert_eq!(pick(&told.events, |e| matches!(e, Event::FreezeFrameRead { .. }).then_some(())).len(), 1);
}

#[test]
fn a_controller_without_a_freeze_frame_says_so_and_is_asked_no_more() {
    for (no, refused) in [(Say::Refuse(0x11), true), (Say::Data(vec![0x42, 0x02, 0x00, 0x00, 0x00]), false)] {
        let world = World::with(move |_, request| if request[0] == 0x02 { no.clone() } else { Say::Usual });
        let told = world.run(move |script| {
            script.link_up();
            let reply = script.ask(Command::ReadFreezeFrame);
            match refused {
                true => assert!(refusal(&reply).contains("keeps no freeze frames"), "{reply:?}"),
                false => assert_eq!(reply, Reply::FreezeFrame { code: None, values: Vec::new() }),
            }
        });
        assert_eq!(told.controller.requests().iter().filter(|r| r[0] == 0x02).count(), 1);
    }
}
