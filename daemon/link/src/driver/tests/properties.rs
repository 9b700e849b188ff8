//! Whatever is asked and whatever the wire does, every command is answered and nothing stays held unsaid.

use clock::Stop;
use model::{Command, Moment, Quantity, Reply, Span, Unit};
use proptest::prelude::*;

use super::controller::Say;
use super::panics::Faulty;
use super::world::{Script, World, left_behind};
use super::{MS, S, channel, gate, rpm_above, rpm_below, steps, valve};

/// One thing a script does.
#[derive(Debug, Clone, Copy)]
enum Act {
    Wait { above: bool, dwell: i64, limit: i64 },
    Poll { known: bool, period: i64 },
    Measure(i64),
    Latest(i64),
    Engage { value: f64, unit: bool, at_most: i64, drop: u8 },
    Release,
    ReadCodes,
    Guard(bool),
    Remark,
    Pause(i64),
    Stop,
}

fn act() -> impl Strategy<Value = Act> {
    prop_oneof![
        2 => (any::<bool>(), 0..2_000_i64, 100..6_000_i64)
            .prop_map(|(above, dwell, limit)| Act::Wait { above, dwell, limit }),
        1 => (any::<bool>(), -10..1_000_i64).prop_map(|(known, period)| Act::Poll { known, period }),
        1 => (-10..3_000_i64).prop_map(Act::Measure),
        1 => (-10..3_000_i64).prop_map(Act::Latest),
        4 => (-5.0..130.0_f64, any::<bool>(), -10..15_000_i64, 0..4_u8).prop_map(
            |(value, unit, at_most, drop)| Act::Engage { value: value.round(), unit, at_most, drop }
        ),
        2 => Just(Act::Release),
        1 => Just(Act::ReadCodes),
        1 => any::<bool>().prop_map(Act::Guard),
        1 => Just(Act::Remark),
        3 => (0..6_000_i64).prop_map(Act::Pause),
        1 => Just(Act::Stop),
    ]
}

fn command(act: Act) -> Command {
    let rpm = || channel("rpm");
    let condition = |above| if above { rpm_above(700.0) } else { rpm_below(700.0) };
    match act {
        Act::Wait { above, dwell, limit } => {
            Command::Wait { gate: gate(condition(above), MS(dwell), MS(limit)) }
        }
        Act::Poll { known, period } => {
            let id = if known { rpm() } else { channel("oil_pressure") };
            Command::Poll { channels: vec![id], period: MS(period) }
        }
        Act::Measure(over) => Command::Measure { channel: rpm(), name: "m".into(), over: MS(over) },
        Act::Latest(within) => Command::Latest { channel: rpm(), within: MS(within) },
        Act::Engage { value, unit, at_most, drop } => Command::Engage {
            output: valve(),
            value: if unit { steps(value) } else { Quantity::new(value, Unit::new("V").unwrap()) },
            at_most: MS(at_most),
            drop_if: match drop {
                0 => vec![rpm_above(700.0)],
                1 => vec![rpm_below(700.0), rpm_above(5_000.0)],
                _ => vec![],
            },
            goes_on: drop == 1,
        },
        Act::Release => Command::Release { output: valve() },
        Act::ReadCodes => Command::ReadCodes,
        Act::Guard(above) => Command::Guard { conditions: vec![condition(above)] },
        Act::Remark => Command::Remark { text: "on".into() },
        Act::Pause(limit) => Command::Prompt {
            act: "wait".into(),
            target: String::new(),
            words: String::new(),
            wanted: model::Wanted::Done,
            limit: MS(limit),
        },
        Act::Stop => Command::Stop { by: "the script".into() },
    }
}

/// Whether a reply may answer a command.
fn fits(command: &Command, reply: &Reply) -> bool {
    match (command, reply) {
        (_, Reply::Over { .. }) => true,
        (Command::Release { .. } | Command::Stop { .. }, Reply::HoldEnded { .. }) => false,
        // After a hold that goes on has ended, until its release.
        (_, Reply::HoldEnded { .. }) => true,
        (Command::Stop { .. } | Command::Remark { .. }, Reply::Refused { .. }) => false,
        (_, Reply::Refused { .. }) => true,
        (Command::Wait { .. }, Reply::Waited { .. })
        | (Command::Measure { .. }, Reply::Measured { .. })
        | (Command::Latest { .. }, Reply::Latest { .. })
        | (Command::Engage { .. }, Reply::Engaged { .. })
        | (Command::Release { .. }, Reply::Released { .. })
        | (Command::ReadCodes, Reply::Codes { .. })
        | (Command::Prompt { .. }, Reply::Answered { answer: None })
        | (Command::Poll { .. } | Command::Guard { .. } | Command::Remark { .. }, Reply::Done) => true,
        _ => false,
    }
}

fn play(script: &Script, acts: Vec<Act>) {
    for act in acts {
        let command = command(act);
        let reply = script.ask(command.clone());
        assert!(fits(&command, &reply), "{command:?} was answered with {reply:?}");
    }
}

/// What the wire does at each request, by turns.
fn mind(odds: Vec<u8>, garbage: Vec<u8>, stop: Option<(usize, Stop)>) -> impl FnMut(Moment, &[u8]) -> Say {
    let mut turn = 0;
    move |_, request| {
        turn += 1;
        if let Some((at, stop)) = &stop
            && turn == *at
        {
            stop.raise("ctrl-c");
        }
        match odds[turn % odds.len()] {
            0 => Say::Nothing,
            1 => Say::Spoiled,
            2 => Say::ObeyUnheard,
            3 if request[0] != 0x81 => Say::Refuse(0x78),
            4 if request[0] != 0x81 => Say::Refuse(0x21),
            5 if request[0] != 0x81 => Say::Refuse(0x22),
            6 => Say::Garbage(garbage.clone()),
            _ => Say::Usual,
        }
    }
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 250, failure_persistence: None, ..ProptestConfig::default() })]
    #[test]
    fn every_command_is_answered_and_nothing_stays_held_unsaid(
        acts in prop::collection::vec(act(), 1..12),
        wait_first in any::<bool>(),
        odds in prop::collection::vec(0..40_u8, 1..120),
        garbage in prop::collection::vec(any::<u8>(), 0..12),
        cuts in prop::collection::vec((0..20_000_i64, 0..9_000_i64), 0..3),
        gone in prop::option::weighted(0.15, 0..15_000_i64),
        stop in prop::option::weighted(0.3, 1..80_usize),
        has_timeout in any::<bool>(),
        left in any::<bool>(),
        confirmed in any::<bool>(),
    ) {
        let latch = Stop::new();
        let mut world = World::with(mind(odds, garbage, stop.map(|at| (at, latch.clone()))));
        world.stop = latch;
        if !has_timeout {
            world = world.without_timeout();
        }
        if !confirmed {
            let confirm = "confirm = { channel = \"valve_held\", held = 1, released = 0 }\n";
            world.car = world.car.replace(confirm, "");
        }
        if left {
            world.left_behind = vec![left_behind(has_timeout.then_some(S(5)))];
            world.controller.left_held();
        }
        let at = |ms: i64| Moment::ZERO + MS(ms);
        let mut out: Vec<(Moment, Moment)> =
            cuts.iter().map(|(from, length)| (at(*from), at(from + length))).collect();
        if let Some(gone) = gone {
            out.push((at(gone), Moment::NEVER));
            world.wrap = Some(Box::new(move |_, inner| Box::new(Faulty::gone_at(inner, at(gone)))));
        }
        world.controller.look().cut = out;
        let told = world.run(move |script| {
            if wait_first {
                let gate = gate(rpm_above(100.0), Span::ZERO, S(5));
                script.ask(Command::Wait { gate });
            }
            play(script, acts);
        });
        // The rest is checked of every run: one reply each, no gap in the order of events, nothing held with
        // an empty ledger, the key where it is not empty.
        let longest = told.controller.look().longest_hold;
        prop_assert!(longest <= S(15) + SLACK, "{longest}");
    }
}

/// Releases that the wire swallows are repeated for three seconds, then there is silence until the
/// controller's own timeout of five; one exchange may be in flight at either end.
const SLACK: Span = Span::from_millis(3_000 + 5_250 + 1_500);
