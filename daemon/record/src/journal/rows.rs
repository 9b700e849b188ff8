//! Readings and gaps, as they are kept in a frame.
//!
//! A frame's payload is a list of entries up to its end. Channels have the numbers that the head gives them; a channel that
//! it does not name is named in the frame before it is first used there, and gets the next number. Times and half
//! intervals are ticks of 10 µs. Every difference is to something earlier in the same frame: to the *entry before* (0
//! at first), or to the *channel's last count, value and half interval* (all 0 at first).
//!
//! The lowest two bits of an entry's first byte, its *tag*, say what it is.
//!
//! **0, a row of a set**: readings of the same time and the same half interval, of channels that came together before in
//! the frame. Each is good, its value is count × factor + offset of the head exactly, its uncertainties are those of the
//! head. Bit 2: the half interval is not that of the set's last row. Bits 3 to 7: the set's number, or 31, and the
//! number less 31 follows as a varint. Then: the time, less the set's last time and less the step between its last two
//! times, 0 where it had only one (signed varint) · with bit 2 the half interval, less the set's last (signed varint) · one
//! bit for each channel of the set, lowest bit of the first byte first: its count is not its last · for each of those half
//! a byte, lower half first: 1 to 7 is a count more by so many, 8 to 14 one less by 1 to 7, 15 any other; an odd half is 0 ·
//! for each of the others the count less the last one (signed varint).
//!
//! **1, a reading**: bits 2 and 3 the quality (0 good, 1 implausible, 2 saturated, 3 invalid); bit 4: a new half interval;
//! bit 5: new uncertainties (those of the head at first, 0 for a channel that it does not name); bits 6 and 7: the value is 0
//! on the head's line, 1 the channel's last, 2 given. Then: channel (varint) · the time, less that of the entry before
//! (signed varint) · the count less the channel's last (signed varint) · with bit 4 the half interval less the channel's
//! last (signed varint) · with bit 5 noise, resolution and shared part (3 × 8 bytes, IEEE 754) · the value if given
//! (8 bytes). Numbers are kept by their bits, so not-a-number, infinities and minus zero come back as they were.
//!
//! **2, a gap**: bits 2 to 4 the reason (0 no answer, 1 damaged, 2 refused, 3 link down, 4 lost). Then: channel (varint)
//! · the time, less that of the entry before (signed varint) · half of its length, less the channel's last half interval
//! (signed varint). Nothing of the channel changes.
//!
//! **3**, by the whole tag: `03` begins a set, which gets the next number, with its first row: how many channels (varint,
//! 1 to 255) · the channels in runs of numbers one apart, each run its first number less the number that would go on with
//! the run before, 0 at first (signed varint), and how many follow it (varint) · the time, less that of the entry before
//! (signed varint) · the half interval (signed varint) · each channel's count less its last (signed varint). `07` names a
//! channel: length of its id (one byte) · the id. A frame has at most 256 sets.

use model::{ChannelId, GapReason, Quality, Sample};

use crate::head::SessionHead;

mod decode;
mod encode;
#[cfg(test)]
pub(crate) mod tests;

pub(super) use decode::decode;
pub(crate) use encode::RowWriter;

const KIND: u8 = 3;
const SET_ROW: u8 = 0;
const READING: u8 = 1;
const GAP: u8 = 2;
const NEW_SET: u8 = 3;
const NAME: u8 = 7;

const ROW_NEW_HALF: u8 = 1 << 2;
/// The set number in a tag that says that the rest of it follows.
const FAR_SET: u64 = 31;

const NEW_HALF: u8 = 1 << 4;
const NEW_UNCERTAINTY: u8 = 1 << 5;
const ON_LINE: u8 = 0 << 6;
const AS_BEFORE: u8 = 1 << 6;
const IN_FULL: u8 = 2 << 6;
const VALUE: u8 = 3 << 6;

/// Half a byte for a count that moved further than half a byte can say.
const FAR: u8 = 15;

const MOST_IN_SET: usize = 255;
const MOST_SETS: usize = 256;

const QUALITIES: [Quality; 4] = [Quality::Good, Quality::Implausible, Quality::Saturated, Quality::Invalid];
const REASONS: [GapReason; 5] = GapReason::ALL;

/// A channel as both ends of a frame know it.
#[derive(Debug, Clone)]
struct Channel {
    id: ChannelId,
    /// Factor and offset of the head.
    line: Option<(f64, f64)>,
    /// The uncertainties of the head, by their bits.
    usual: [u64; 3],
    raw: i64,
    value: u64,
    half: i64,
    uncertainty: [u64; 3],
}

impl Channel {
    fn stranger(id: ChannelId) -> Self {
        Self { id, line: None, usual: [0; 3], raw: 0, value: 0, half: 0, uncertainty: [0; 3] }
    }

    /// Forgets what an earlier frame said of it.
    fn begin_frame(&mut self) {
        (self.raw, self.value, self.half) = (0, 0, 0);
        self.uncertainty = self.usual;
    }

    fn on_line(&self, raw: i64) -> Option<u64> {
        self.line.map(|(factor, offset)| (raw as f64 * factor + offset).to_bits())
    }

    /// A reading of a set's row.
    fn usual_reading(&mut self, raw: i64, value: u64, half: i64) {
        (self.raw, self.value, self.half) = (raw, value, half);
    }
}

/// The channels of a head, as they are where a frame begins.
fn channels(head: &SessionHead) -> Vec<Channel> {
    let each = head.channels.iter().map(|channel| {
        let usual = [channel.noise, channel.resolution, channel.shared].map(f64::to_bits);
        let line = Some((channel.factor, channel.offset));
        Channel { line, usual, uncertainty: usual, ..Channel::stranger(channel.id.clone()) }
    });
    each.collect()
}

/// Channels that came together.
#[derive(Debug, Clone)]
struct Set {
    members: Vec<usize>,
    at: i64,
    step: i64,
    half: i64,
}

impl Set {
    fn expected(&self) -> i64 {
        self.at.wrapping_add(self.step)
    }

    fn moved_to(&mut self, at: i64, half: i64) {
        self.step = at.wrapping_sub(self.at);
        (self.at, self.half) = (at, half);
    }
}

/// A difference as half a byte: 1 to 7 up, 8 to 14 down, or [`FAR`].
fn small(difference: i64) -> u8 {
    match difference {
        1..=7 => difference as u8,
        -7..=-1 => (7 - difference) as u8,
        _ => FAR,
    }
}

fn from_small(half: u8) -> Option<i64> {
    match half {
        1..=7 => Some(i64::from(half)),
        8..=14 => Some(7 - i64::from(half)),
        _ => None,
    }
}

fn quality_bits(quality: Quality) -> u8 {
    match quality {
        Quality::Good => 0,
        Quality::Implausible => 1,
        Quality::Saturated => 2,
        Quality::Invalid => 3,
    }
}

fn reason_bits(why: GapReason) -> u8 {
    match why {
        GapReason::NoAnswer => 0,
        GapReason::Damaged => 1,
        GapReason::Refused => 2,
        GapReason::LinkDown => 3,
        GapReason::Lost => 4,
    }
}

fn bits(sample: &Sample) -> [u64; 3] {
    let uncertainty = &sample.uncertainty;
    [uncertainty.noise, uncertainty.resolution, uncertainty.shared].map(f64::to_bits)
}
