//! A description as it is written, before anything is checked.
//!
//! Every key is optional here, so that one missing or broken key does not hide what is wrong with the others;
//! which keys are required is said by the JSON Schema made from these types.

use std::collections::BTreeMap;

use model::{ChannelId, OutputId};
use schemars::JsonSchema;
use serde::Deserialize;

use crate::words::{Addressing, Dialect, Echo, HeaderForm, Rounding, Wakeup};

/// What one engine controller can be asked, how its answers are read, and which outputs can be held.
#[derive(Debug, Default, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
#[schemars(rename = "ControllerDescription")]
pub(crate) struct RawDescription {
    /// Version of this form: 1.
    #[schemars(required, range(min = 1, max = 1))]
    #[expect(dead_code, reason = "the JSON Schema has judged it; the key must still be known here")]
    pub(crate) schema: Option<u16>,
    /// Short name, usable as a file name.
    #[schemars(required, regex(pattern = "^[a-z0-9][a-z0-9_-]{0,63}$"))]
    pub(crate) name: Option<String>,
    /// Name shown to people.
    #[schemars(required, length(min = 1, max = 120))]
    pub(crate) title: Option<String>,
    /// How the controller is reached.
    #[schemars(required)]
    pub(crate) link: Option<RawLink>,
    /// Requests that read data.
    #[schemars(required, length(min = 1, max = 256))]
    pub(crate) request: Option<Vec<RawRequest>>,
    /// Quantities in the answers.
    #[schemars(required, length(min = 1, max = 1024))]
    pub(crate) channel: Option<Vec<RawChannel>>,
    /// Controller outputs that can be held.
    #[schemars(length(max = 64))]
    pub(crate) output: Option<Vec<RawOutput>>,
    /// Named levels and windows that the procedures for this car use.
    pub(crate) setup: Option<BTreeMap<String, RawSetup>>,
}

/// How the controller is reached.
#[derive(Debug, Default, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
#[schemars(rename = "Link")]
pub(crate) struct RawLink {
    /// The protocol family.
    #[schemars(required)]
    pub(crate) dialect: Option<Dialect>,
    /// How the controller is woken.
    #[schemars(required)]
    pub(crate) wakeup: Option<Wakeup>,
    /// Bits per second.
    #[schemars(required, range(min = 300, max = 1_000_000))]
    pub(crate) baud: Option<u32>,
    /// The controller's address; needed with dialect iso14230 and only there.
    pub(crate) controller_address: Option<u8>,
    /// The tester's address; needed with dialect iso14230 and only there.
    pub(crate) tester_address: Option<u8>,
    /// Physical or functional; physical where not said. Only with dialect iso14230.
    pub(crate) addressing: Option<Addressing>,
    /// The header of requests; as the key bytes say where not said. Only with dialect iso14230.
    pub(crate) header: Option<HeaderForm>,
    /// The diagnostic session to ask for by service 10; none where not said. Only with dialect iso14230.
    pub(crate) session: Option<u8>,
    /// Whether the adapter gives back what is sent; expected where not said.
    pub(crate) echo: Option<Echo>,
    /// Milliseconds without a request after which the controller itself drops its session and every control;
    /// the word "none" if it never does.
    #[schemars(required)]
    pub(crate) controller_timeout_ms: Option<RawTimeout>,
    /// Timing that differs from the default of ISO 14230-2. Only with dialect iso14230.
    pub(crate) timing: Option<RawTiming>,
    /// Timing to ask for by service 83 once the session stands. Only with dialect iso14230.
    pub(crate) fast_timing: Option<RawFastTiming>,
    /// Times and keep-alive of single bytes; needed with dialect single-byte and only there.
    pub(crate) single_byte: Option<RawSingleByte>,
}

/// How single bytes are exchanged. This wire has no checksum: the number of bytes and these times are all that is
/// checked.
#[derive(Debug, Default, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
#[schemars(rename = "SingleByte")]
pub(crate) struct RawSingleByte {
    /// Longest time in milliseconds from a request to its answer, and between two bytes of an answer.
    #[schemars(required, range(min = 0, max = 60_000))]
    pub(crate) answer_ms: Option<f64>,
    /// Shortest gap in milliseconds between two bytes of a request; 0 where not said.
    #[schemars(range(min = 0, max = 1_000))]
    pub(crate) byte_gap_ms: Option<f64>,
    /// Shortest time in milliseconds from an answer to the next request; 0 where not said.
    #[schemars(range(min = 0, max = 60_000))]
    pub(crate) request_gap_ms: Option<f64>,
    /// Milliseconds of silence after which the controller has forgotten half a request.
    #[schemars(required, range(min = 0, max = 60_000))]
    pub(crate) resync_ms: Option<f64>,
    /// Name of the request that shows whether the controller is there, and keeps it from letting go.
    #[schemars(required, regex(pattern = "^[a-z0-9][a-z0-9_-]{0,63}$"))]
    pub(crate) keep_alive: Option<String>,
}

/// A time-out, or the admission that there is none.
#[derive(Debug, Deserialize, JsonSchema)]
#[serde(untagged)]
#[schemars(rename = "ControllerTimeout")]
pub(crate) enum RawTimeout {
    /// Milliseconds.
    Milliseconds(#[schemars(range(min = 1, max = 3_600_000))] u32),
    /// The word "none".
    Never(RawNever),
}

/// The word for "it has none".
#[derive(Debug, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
#[schemars(rename = "Never")]
pub(crate) enum RawNever {
    /// The controller never drops a control by itself.
    None,
}

/// Times of ISO 14230-2 in milliseconds.
#[derive(Debug, Default, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
#[schemars(rename = "Timing")]
pub(crate) struct RawTiming {
    /// Longest gap between two bytes of an answer.
    #[schemars(range(min = 0, max = 1_000))]
    pub(crate) p1_max: Option<f64>,
    /// Shortest time from request to answer.
    #[schemars(range(min = 0, max = 60_000))]
    pub(crate) p2_min: Option<f64>,
    /// Longest time from request to answer.
    #[schemars(range(min = 0, max = 60_000))]
    pub(crate) p2_max: Option<f64>,
    /// Shortest time from an answer to the next request.
    #[schemars(range(min = 0, max = 60_000))]
    pub(crate) p3_min: Option<f64>,
    /// Longest time from an answer to the next request.
    #[schemars(range(min = 0, max = 600_000))]
    pub(crate) p3_max: Option<f64>,
    /// Shortest gap between two bytes of a request.
    #[schemars(range(min = 0, max = 1_000))]
    pub(crate) p4_min: Option<f64>,
}

/// The five times that service 83 can set, in milliseconds.
#[derive(Debug, Default, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
#[schemars(rename = "FastTiming")]
pub(crate) struct RawFastTiming {
    /// Shortest time from request to answer, in steps of 0.5 ms.
    #[schemars(required, range(min = 0, max = 127.5))]
    pub(crate) p2_min: Option<f64>,
    /// Longest time from request to answer, in steps of 25 ms.
    #[schemars(required, range(min = 25, max = 6_000))]
    pub(crate) p2_max: Option<f64>,
    /// Shortest time from an answer to the next request, in steps of 0.5 ms.
    #[schemars(required, range(min = 0, max = 127.5))]
    pub(crate) p3_min: Option<f64>,
    /// Longest time from an answer to the next request, in steps of 250 ms.
    #[schemars(required, range(min = 250, max = 63_500))]
    pub(crate) p3_max: Option<f64>,
    /// Shortest gap between two bytes of a request, in steps of 0.5 ms.
    #[schemars(required, range(min = 0, max = 127.5))]
    pub(crate) p4_min: Option<f64>,
}

/// A request that reads data.
#[derive(Debug, Default, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
#[schemars(rename = "Request")]
pub(crate) struct RawRequest {
    /// Name by which channels refer to it.
    #[schemars(required, regex(pattern = "^[a-z0-9][a-z0-9_-]{0,63}$"))]
    pub(crate) name: Option<String>,
    /// Service and identifier as pairs of hex digits, such as "21 A1"; with dialect single-byte whatever is to be sent.
    #[schemars(required, length(min = 2, max = 20))]
    pub(crate) bytes: Option<String>,
    /// How many data bytes follow the identifier in the answer; with dialect single-byte how many there are.
    #[schemars(required, range(min = 1, max = 253))]
    pub(crate) answer_bytes: Option<u16>,
}

/// A quantity in an answer: value = count * factor + offset.
#[derive(Debug, Default, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
#[schemars(rename = "Channel")]
pub(crate) struct RawChannel {
    /// Id by which everything refers to it.
    #[schemars(required, with = "ChannelId")]
    pub(crate) id: Option<String>,
    /// Name shown to people.
    #[schemars(required, length(min = 1, max = 120))]
    pub(crate) title: Option<String>,
    /// Name of the request whose answer carries it.
    #[schemars(required, length(min = 1, max = 64))]
    pub(crate) request: Option<String>,
    /// Where it begins: bytes after the echoed identifier, from 0.
    #[schemars(required, range(min = 0, max = 252))]
    pub(crate) at: Option<u16>,
    /// How many bytes it has, most significant first. Not together with `bit`.
    #[schemars(range(min = 1, max = 4))]
    pub(crate) bytes: Option<u8>,
    /// Which bit of the byte it is, 0 being the least significant. Not together with `bytes`.
    #[schemars(range(min = 0, max = 7))]
    pub(crate) bit: Option<u8>,
    /// Whether the count is a two's complement number; false where not said.
    pub(crate) signed: Option<bool>,
    /// Units per count; 1 where not said.
    #[schemars(range(min = -1e9, max = 1e9))]
    pub(crate) factor: Option<f64>,
    /// Value of count 0; 0 where not said.
    #[schemars(range(min = -1e9, max = 1e9))]
    pub(crate) offset: Option<f64>,
    /// UCUM code of the unit; "1" for a plain number.
    #[schemars(required, length(min = 1, max = 40))]
    pub(crate) unit: Option<String>,
    /// How the converter rounds; nearest where not said.
    pub(crate) rounding: Option<Rounding>,
    /// Standard deviation of the noise from reading to reading, in the unit; 0 where not said.
    #[schemars(range(min = -1e9, max = 1e9))]
    pub(crate) noise: Option<f64>,
    /// Standard uncertainty that all readings share, in the unit; 0 where not said.
    #[schemars(range(min = -1e9, max = 1e9))]
    pub(crate) shared: Option<f64>,
    /// Lowest and highest value to believe, in the unit; all values where not said.
    pub(crate) plausible: Option<[f64; 2]>,
    /// Counts by which the controller says that it has no value.
    #[schemars(length(max = 16))]
    pub(crate) not_available: Option<Vec<i64>>,
    /// Whether the first and the last count mean "or beyond"; false where not said.
    pub(crate) saturates: Option<bool>,
    /// Whether the sensor is measured against its own supply, so that a meter may disagree; false where not said.
    pub(crate) ratiometric: Option<bool>,
    /// Wanted time between two readings in milliseconds; 1000 where not said.
    #[schemars(range(min = 1, max = 3_600_000))]
    pub(crate) period_ms: Option<u32>,
}

/// A controller output that can be held: count = (value - offset) / factor.
#[derive(Debug, Default, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
#[schemars(rename = "Output")]
pub(crate) struct RawOutput {
    /// Id by which everything refers to it.
    #[schemars(required, with = "OutputId")]
    pub(crate) id: Option<String>,
    /// Name shown to people.
    #[schemars(required, length(min = 1, max = 120))]
    pub(crate) title: Option<String>,
    /// UCUM code of the unit of its value.
    #[schemars(required, length(min = 1, max = 40))]
    pub(crate) unit: Option<String>,
    /// Units per count; 1 where not said.
    #[schemars(range(min = -1e9, max = 1e9))]
    pub(crate) factor: Option<f64>,
    /// Value of count 0; 0 where not said.
    #[schemars(range(min = -1e9, max = 1e9))]
    pub(crate) offset: Option<f64>,
    /// How many bytes the count has, most significant first; 1 where not said.
    #[schemars(range(min = 1, max = 4))]
    pub(crate) bytes: Option<u8>,
    /// Whether the count is a two's complement number; false where not said.
    pub(crate) signed: Option<bool>,
    /// Lowest and highest value that may be asked for, in the unit.
    #[schemars(required)]
    pub(crate) range: Option<[f64; 2]>,
    /// The request that takes the output over, with {value} where the count goes, such as "30 51 07 {value}".
    #[schemars(required, length(min = 2, max = 80))]
    pub(crate) engage: Option<String>,
    /// The request that gives it back, such as "30 51 00".
    #[schemars(required, length(min = 2, max = 80))]
    pub(crate) release: Option<String>,
    /// What the answer to the engage request is like; needed with dialect single-byte and only there.
    pub(crate) engage_answer: Option<RawAnswer>,
    /// What the answer to the release request is like; needed with dialect single-byte and only there.
    pub(crate) release_answer: Option<RawAnswer>,
    /// The request that tells its state, if there is one. Only with dialect iso14230.
    pub(crate) report: Option<RawReport>,
    /// The longest time it may be held, in seconds.
    #[schemars(required, range(min = 0, max = 86_400))]
    pub(crate) longest_hold_s: Option<f64>,
    /// How often the engage request must be repeated to keep the output, in milliseconds; never where not said.
    #[schemars(range(min = 1, max = 3_600_000))]
    pub(crate) refresh_ms: Option<u32>,
    /// Whether the controller can be read while the output is held.
    #[schemars(required)]
    pub(crate) reading_while_held: Option<bool>,
    /// A channel that shows the effect.
    pub(crate) confirm: Option<RawConfirm>,
    /// The diagnostic session that the control needs, if it needs one: the link must start that one. Only with
    /// dialect iso14230.
    pub(crate) session: Option<u8>,
}

/// What an answer without a frame is like.
#[derive(Debug, Default, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
#[schemars(rename = "Answer")]
pub(crate) struct RawAnswer {
    /// How many bytes it has; 0 where no answer comes.
    #[schemars(required, range(min = 0, max = 16))]
    pub(crate) bytes: Option<u16>,
    /// How it begins, as pairs of hex digits; anything where not said.
    #[schemars(length(min = 2, max = 47))]
    pub(crate) begins: Option<String>,
}

/// How to ask for the state of an output.
#[derive(Debug, Default, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
#[schemars(rename = "Report")]
pub(crate) struct RawReport {
    /// The request, such as "30 51 01".
    #[schemars(required, length(min = 2, max = 80))]
    pub(crate) bytes: Option<String>,
    /// Where the count begins: bytes after the echoed identifier and control parameter, from 0.
    #[schemars(required, range(min = 0, max = 250))]
    pub(crate) value_at: Option<u16>,
    /// Where the byte is that is not 0 while the output is held, counted likewise.
    #[schemars(required, range(min = 0, max = 250))]
    pub(crate) held_at: Option<u16>,
}

/// A channel that shows whether an output is held.
#[derive(Debug, Default, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
#[schemars(rename = "Confirm")]
pub(crate) struct RawConfirm {
    /// Id of the channel.
    #[schemars(required, with = "ChannelId")]
    pub(crate) channel: Option<String>,
    /// Its value while the output is held.
    #[schemars(required)]
    pub(crate) held: Option<f64>,
    /// Its value once the output is back.
    #[schemars(required)]
    pub(crate) released: Option<f64>,
}

/// A set-up value of the car: a level (`value`) or a window (`low` and `high`).
#[derive(Debug, Default, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
#[schemars(rename = "SetupValue")]
pub(crate) struct RawSetup {
    /// What it is, in words.
    #[schemars(required, length(min = 1, max = 200))]
    pub(crate) what: Option<String>,
    /// The level.
    pub(crate) value: Option<f64>,
    /// The lower edge of the window.
    pub(crate) low: Option<f64>,
    /// The upper edge of the window.
    pub(crate) high: Option<f64>,
    /// UCUM code of the unit.
    #[schemars(required, length(min = 1, max = 40))]
    pub(crate) unit: Option<String>,
    /// Id of the channel that it is compared with, if there is one: its unit must fit.
    #[schemars(with = "Option<ChannelId>")]
    pub(crate) channel: Option<String>,
    /// Id of the output that it is set on, if there is one: its unit and range must fit.
    #[schemars(with = "Option<OutputId>")]
    pub(crate) output: Option<String>,
}
