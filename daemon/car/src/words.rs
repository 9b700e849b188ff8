//! The fixed words of a description.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// The protocol family spoken on the wire.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub enum Dialect {
    /// ISO 14230-2 on a K-line, with the services of ISO 14230-3.
    #[serde(rename = "iso14230")]
    Iso14230,
    /// Single bytes without frames: each request is one or a few bytes, each answer a given number of them.
    #[serde(rename = "single-byte")]
    SingleByte,
}

impl Dialect {
    /// Its word in a description.
    pub fn word(self) -> &'static str {
        match self {
            Self::Iso14230 => "iso14230",
            Self::SingleByte => "single-byte",
        }
    }

    /// Its name for people.
    pub fn title(self) -> &'static str {
        match self {
            Self::Iso14230 => "ISO 14230",
            Self::SingleByte => "single bytes",
        }
    }
}

/// How the controller is woken.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Wakeup {
    /// A low pulse of 25 ms, then startCommunication (ISO 14230-2).
    Fast,
    /// Not at all: the line passes no pulse, or the controller is awake already. In ISO 14230 startCommunication
    /// comes first all the same.
    Awake,
}

/// Whether requests name one controller or a function.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Addressing {
    /// One controller by its own address.
    Physical,
    /// Every controller that serves a function.
    Functional,
}

/// The header put before each request (the four header forms of ISO 14230-2).
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum HeaderForm {
    /// As the controller's key bytes say.
    Auto,
    /// One byte: format with the length in it.
    FormatOnly,
    /// Two bytes: format, length.
    FormatAndLength,
    /// Three bytes: format with the length in it, target, source.
    Addressed,
    /// Four bytes: format, target, source, length.
    AddressedAndLength,
}

impl HeaderForm {
    /// The most data bytes (service byte included) that a message with this header can carry: 63 where the
    /// length stands in the six low bits of the format byte, 255 where it has its own (ISO 14230-2, from memory).
    pub fn longest_data(self) -> usize {
        match self {
            Self::FormatOnly | Self::Addressed => 63,
            Self::Auto | Self::FormatAndLength | Self::AddressedAndLength => 255,
        }
    }
}

/// Whether the adapter gives back what is sent.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Echo {
    /// Every byte sent comes back, as on a plain single-wire adapter.
    Expected,
    /// The adapter takes the echo out.
    None,
}

/// How the converter turns a level into a count.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Rounding {
    /// To the nearest count: count n stands for n - 0.5 to n + 0.5.
    Nearest,
    /// Downwards: count n stands for n to n + 1.
    Down,
    /// Upwards: count n stands for n - 1 to n.
    Up,
}

impl Rounding {
    /// The middle of a count's interval, in counts above the count itself.
    pub fn middle(self) -> f64 {
        match self {
            Self::Nearest => 0.0,
            Self::Down => 0.5,
            Self::Up => -0.5,
        }
    }
}
