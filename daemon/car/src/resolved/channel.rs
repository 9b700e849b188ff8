//! Quantities in the answers.

use model::{ChannelId, Quality, Span, Uncertainty, Unit};

use crate::resolved::request::{DecodeError, big_endian, count_limits};
use crate::words::Rounding;

/// How a channel stands in the data.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Encoding {
    /// A number, most significant byte first.
    Number {
        /// How many bytes: 1 to 4.
        bytes: usize,
        /// Whether it is a two's complement number.
        signed: bool,
    },
    /// One bit of a byte, 0 being the least significant.
    Bit(u8),
}

/// A quantity in an answer.
#[derive(Debug, Clone, PartialEq)]
pub struct Channel {
    /// Its id.
    pub id: ChannelId,
    /// Its name for people.
    pub title: String,
    /// Its unit.
    pub unit: Unit,
    /// The request whose answer carries it, as a place in the description's list.
    pub request: usize,
    /// Where it begins in the data.
    pub at: usize,
    /// How it stands there.
    pub encoding: Encoding,
    /// Units per count; never 0.
    pub factor: f64,
    /// Value of count 0 of a converter that rounds to the nearest.
    pub offset: f64,
    /// How the converter rounds.
    pub rounding: Rounding,
    /// Standard deviation of the noise, in the unit.
    pub noise: f64,
    /// Standard uncertainty that all readings share, in the unit.
    pub shared: f64,
    /// Lowest and highest value to believe, in the unit.
    pub plausible: (f64, f64),
    /// Counts by which the controller says that it has no value.
    pub not_available: Vec<i64>,
    /// Whether the first and last count mean "or beyond".
    pub saturates: bool,
    /// Whether the sensor is measured against its own supply, so that a meter may disagree.
    pub ratiometric: bool,
    /// Wanted time between two readings.
    pub period: Span,
}

/// One reading, without its time.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Reading {
    /// The count as it came.
    pub raw: i64,
    /// The middle of the count's interval, in the channel's unit.
    pub value: f64,
    /// What is not known about the value, in the channel's unit.
    pub uncertainty: Uncertainty,
    /// Whether it can be used.
    pub quality: Quality,
}

impl Channel {
    /// Reads the channel from the data of an answer (what follows the echoed identifier).
    pub fn decode(&self, data: &[u8]) -> Result<Reading, DecodeError> {
        let raw = match self.encoding {
            Encoding::Number { bytes, signed } => big_endian(data, self.at, bytes, signed)?,
            Encoding::Bit(bit) => (big_endian(data, self.at, 1, false)? >> bit) & 1,
        };
        let value = self.value(raw);
        Ok(Reading { raw, value, uncertainty: self.uncertainty(), quality: self.quality(raw, value) })
    }

    /// The middle of a count's interval, in the channel's unit.
    pub fn value(&self, raw: i64) -> f64 {
        (raw as f64 + self.rounding.middle()) * self.factor + self.offset
    }

    /// What is not known about any one reading, in the channel's unit. A bit is not a rounded level, so it has
    /// no resolution.
    pub fn uncertainty(&self) -> Uncertainty {
        let resolution = match self.encoding {
            Encoding::Number { .. } => self.factor.abs(),
            Encoding::Bit(_) => 0.0,
        };
        Uncertainty { noise: self.noise, resolution, shared: self.shared }
    }

    /// The least and the greatest count.
    pub fn counts(&self) -> (i64, i64) {
        match self.encoding {
            Encoding::Number { bytes, signed } => count_limits(bytes, signed),
            Encoding::Bit(_) => (0, 1),
        }
    }

    /// The lowest and the highest value that any count stands for, in the channel's unit.
    pub fn reach(&self) -> (f64, f64) {
        let (first, last) = self.counts();
        let (a, b) = (self.value(first), self.value(last));
        (a.min(b), a.max(b))
    }

    fn quality(&self, raw: i64, value: f64) -> Quality {
        let (first, last) = self.counts();
        let (low, high) = self.plausible;
        if self.not_available.contains(&raw) || !value.is_finite() {
            Quality::Invalid
        } else if self.saturates && (raw == first || raw == last) {
            Quality::Saturated
        } else if value < low || value > high {
            Quality::Implausible
        } else {
            Quality::Good
        }
    }
}
