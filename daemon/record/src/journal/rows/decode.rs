//! From a frame's payload to rows.

use model::{ChannelId, Gap, Quality, Sample, Uncertainty};

use super::{
    AS_BEFORE, Channel, FAR, FAR_SET, GAP, IN_FULL, KIND, MOST_IN_SET, MOST_SETS, NAME, NEW_HALF, NEW_SET,
    NEW_UNCERTAINTY, ON_LINE, QUALITIES, READING, REASONS, ROW_NEW_HALF, SET_ROW, Set, VALUE, channels,
    from_small,
};
use crate::head::SessionHead;
use crate::journal::{MOST_ROWS, varint};
use crate::row::Row;
use crate::tick::Tick;

/// Reads a frame's payload; `None` when the bytes are not rows.
pub(in crate::journal) fn decode(head: &SessionHead, payload: &[u8]) -> Option<Vec<Row>> {
    let mut frame = Frame { channels: channels(head), sets: Vec::new(), at: 0, rows: Vec::new() };
    let mut bytes = payload;
    while !bytes.is_empty() {
        frame.entry(&mut bytes)?;
    }
    (!frame.rows.is_empty()).then_some(frame.rows)
}

struct Frame {
    channels: Vec<Channel>,
    sets: Vec<Set>,
    at: i64,
    rows: Vec<Row>,
}

impl Frame {
    fn entry(&mut self, bytes: &mut &[u8]) -> Option<()> {
        let tag = take_byte(bytes)?;
        match tag & KIND {
            SET_ROW => self.row_of_set(tag, bytes),
            READING => self.reading(tag, bytes),
            GAP => self.gap(tag, bytes),
            _ if tag == NEW_SET => self.first_of_set(bytes),
            _ if tag == NAME => self.name(bytes),
            _ => None,
        }
    }

    fn push(&mut self, row: Row) -> Option<()> {
        (self.rows.len() < MOST_ROWS).then(|| self.rows.push(row))
    }

    fn time(&mut self, bytes: &mut &[u8]) -> Option<()> {
        self.at = self.at.wrapping_add(varint::take_signed(bytes)?);
        Some(())
    }

    fn name(&mut self, bytes: &mut &[u8]) -> Option<()> {
        let length = usize::from(take_byte(bytes)?);
        let (id, rest) = bytes.split_at_checked(length)?;
        *bytes = rest;
        let id = ChannelId::new(std::str::from_utf8(id).ok()?).ok()?;
        self.channels.push(Channel::stranger(id));
        Some(())
    }

    fn reading(&mut self, tag: u8, bytes: &mut &[u8]) -> Option<()> {
        let number = usize::try_from(varint::take(bytes)?).ok()?;
        self.time(bytes)?;
        let at = self.at;
        let channel = self.channels.get_mut(number)?;
        channel.raw = channel.raw.wrapping_add(varint::take_signed(bytes)?);
        if tag & NEW_HALF != 0 {
            channel.half = channel.half.wrapping_add(varint::take_signed(bytes)?);
        }
        if tag & NEW_UNCERTAINTY != 0 {
            for n in &mut channel.uncertainty {
                *n = take_bits(bytes)?;
            }
        }
        channel.value = match tag & VALUE {
            ON_LINE => channel.on_line(channel.raw)?,
            AS_BEFORE => channel.value,
            IN_FULL => take_bits(bytes)?,
            _ => return None,
        };
        let quality = QUALITIES[usize::from(tag >> 2 & 3)];
        let sample = sample(channel, at, channel.uncertainty, quality);
        self.push(Row::Sample(sample))
    }

    fn gap(&mut self, tag: u8, bytes: &mut &[u8]) -> Option<()> {
        let why = *REASONS.get(usize::from(tag >> 2))?;
        let number = usize::try_from(varint::take(bytes)?).ok()?;
        self.time(bytes)?;
        let channel = self.channels.get(number)?;
        let half = channel.half.wrapping_add(varint::take_signed(bytes)?);
        let tick = Tick { middle: self.at, half };
        let gap = Gap { channel: channel.id.clone(), at: tick.at(), half: tick.span(), why };
        self.push(Row::Gap(gap))
    }

    fn first_of_set(&mut self, bytes: &mut &[u8]) -> Option<()> {
        let many = usize::try_from(varint::take(bytes)?).ok()?;
        if many == 0 || many > MOST_IN_SET || self.sets.len() >= MOST_SETS {
            return None;
        }
        let mut members = Vec::with_capacity(many);
        let mut expected = 0_i64;
        while members.len() < many {
            let first = expected.checked_add(varint::take_signed(bytes)?)?;
            let more = i64::try_from(varint::take(bytes)?).ok()?;
            expected = first.checked_add(more)?.checked_add(1)?;
            let channels = self.channels.len() as i64;
            if first < 0 || expected > channels || expected - first > (many - members.len()) as i64 {
                return None;
            }
            members.extend((first..expected).map(|n| n as usize));
        }
        self.time(bytes)?;
        let half = varint::take_signed(bytes)?;
        for number in &members {
            let difference = varint::take_signed(bytes)?;
            self.usual(*number, difference, half)?;
        }
        self.sets.push(Set { members, at: self.at, step: 0, half });
        Some(())
    }

    fn row_of_set(&mut self, tag: u8, bytes: &mut &[u8]) -> Option<()> {
        let mut number = u64::from(tag >> 3);
        if number == FAR_SET {
            number = number.checked_add(varint::take(bytes)?)?;
        }
        let number = usize::try_from(number).ok()?;
        let set = self.sets.get_mut(number)?;
        let at = set.expected().wrapping_add(varint::take_signed(bytes)?);
        let half = match tag & ROW_NEW_HALF {
            0 => set.half,
            _ => set.half.wrapping_add(varint::take_signed(bytes)?),
        };
        set.moved_to(at, half);
        self.at = at;
        // Lent for the time of the row, so that the channels can be changed meanwhile.
        let members = std::mem::take(&mut set.members);
        let done = self.counts(&members, half, bytes);
        self.sets[number].members = members;
        done
    }

    fn counts(&mut self, members: &[usize], half: i64, bytes: &mut &[u8]) -> Option<()> {
        let (mask, rest) = bytes.split_at_checked(members.len().div_ceil(8))?;
        let changed = |i: usize| mask[i / 8] >> (i % 8) & 1 == 1;
        let many: u32 = mask.iter().map(|byte| byte.count_ones()).sum();
        if (members.len()..mask.len() * 8).any(changed) {
            return None;
        }
        let (halves, mut far) = rest.split_at_checked((many as usize).div_ceil(2))?;
        if many % 2 == 1 && halves.last()? >> 4 != 0 {
            return None;
        }
        let mut halves = halves.iter().flat_map(|byte| [byte & 15, byte >> 4]);
        for (i, number) in members.iter().enumerate() {
            let difference = if changed(i) {
                match halves.next()? {
                    FAR => varint::take_signed(&mut far)?,
                    near => from_small(near)?,
                }
            } else {
                0
            };
            self.usual(*number, difference, half)?;
        }
        *bytes = far;
        Some(())
    }

    /// A reading of a set's row.
    fn usual(&mut self, number: usize, difference: i64, half: i64) -> Option<()> {
        let at = self.at;
        let channel = self.channels.get_mut(number)?;
        let raw = channel.raw.wrapping_add(difference);
        let value = channel.on_line(raw)?;
        channel.usual_reading(raw, value, half);
        let sample = sample(channel, at, channel.usual, Quality::Good);
        self.push(Row::Sample(sample))
    }
}

fn sample(channel: &Channel, middle: i64, uncertainty: [u64; 3], quality: Quality) -> Sample {
    let [noise, resolution, shared] = uncertainty.map(f64::from_bits);
    let tick = Tick { middle, half: channel.half };
    Sample {
        channel: channel.id.clone(),
        at: tick.at(),
        time_uncertainty: tick.span(),
        raw: channel.raw,
        value: f64::from_bits(channel.value),
        uncertainty: Uncertainty { noise, resolution, shared },
        quality,
    }
}

fn take_byte(bytes: &mut &[u8]) -> Option<u8> {
    let (first, rest) = bytes.split_first()?;
    *bytes = rest;
    Some(*first)
}

fn take_bits(bytes: &mut &[u8]) -> Option<u64> {
    let (eight, rest) = bytes.split_first_chunk::<8>()?;
    *bytes = rest;
    Some(u64::from_le_bytes(*eight))
}
