//! The driver on its rehearsal clock: with the mock transport where what is said is known beforehand, and
//! with a small controller in this process where it must think.

mod codes;
mod commands;
mod controller;
mod courses;
mod early_ends;
mod gaps;
mod gates;
mod hold_endings;
mod hold_refusals;
mod hold_scope;
mod panics;
mod properties;
mod records;
mod reopening;
mod runners;
mod scenes;
mod sides;
mod sleeping;
mod slow_ledger;
mod trail;
mod world;

use model::{ChannelId, Condition, Demand, Gate, OutputId, Quantity, Span, Unit, Watch};

const MS: fn(i64) -> Span = Span::from_millis;
const S: fn(i64) -> Span = Span::from_secs;

/// An invented controller: one request, two channels, one output.
const CAR: &str = r#"
schema = 1
name = "tiny"
title = "Tiny car"

[link]
dialect = "iso14230"
wakeup = "fast"
baud = 10_400
controller_address = 0x2A
tester_address = 0xF1
session = 0xC3
controller_timeout_ms = 5000

[[request]]
name = "block"
bytes = "21 A2"
answer_bytes = 3

[[channel]]
id = "rpm"
title = "Engine speed"
request = "block"
at = 0
bytes = 2
factor = 0.5
unit = "{rev}/min"
plausible = [0, 8000]
period_ms = 150

[[channel]]
id = "valve_held"
title = "Valve held"
request = "block"
at = 2
bit = 0
unit = "1"
period_ms = 150

[[output]]
id = "idle_valve"
title = "Idle valve"
unit = "{step}"
range = [0, 120]
engage = "30 51 07 {value}"
release = "30 51 00"
longest_hold_s = 60
refresh_ms = 2000
reading_while_held = true
confirm = { channel = "valve_held", held = 1, released = 0 }
session = 0xC3
"#;

/// What the controller hears of the output.
const ENGAGE: [u8; 4] = [0x30, 0x51, 0x07, 32];
const RELEASE: [u8; 3] = [0x30, 0x51, 0x00];
const READ: [u8; 2] = [0x21, 0xA2];

fn valve() -> OutputId {
    OutputId::new("idle_valve").unwrap()
}

fn channel(id: &str) -> ChannelId {
    ChannelId::new(id).unwrap()
}

fn rpm(value: f64) -> Quantity {
    Quantity::new(value, Unit::new("{rev}/min").unwrap())
}

fn steps(value: f64) -> Quantity {
    Quantity::new(value, Unit::new("{step}").unwrap())
}

fn watch(over: Span, fresh: Span) -> Watch {
    Watch { channel: channel("rpm"), over, fresh }
}

fn rpm_above(level: f64) -> Condition {
    Condition::Above { watch: watch(S(1), S(1)), level: rpm(level), hysteresis: None }
}

fn rpm_below(level: f64) -> Condition {
    Condition::Below { watch: watch(S(1), S(1)), level: rpm(level), hysteresis: None }
}

fn gate(condition: Condition, dwell: Span, limit: Span) -> Gate {
    Gate { condition, demand: Demand::Inside, dwell, dropout: MS(500), limit }
}
