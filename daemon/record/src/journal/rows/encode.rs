//! From rows to a frame's payload.

use std::collections::BTreeMap;

use model::{ChannelId, Gap, Quality, Sample};

use super::{
    AS_BEFORE, Channel, FAR, FAR_SET, GAP, IN_FULL, MOST_IN_SET, MOST_SETS, NAME, NEW_HALF, NEW_SET,
    NEW_UNCERTAINTY, ON_LINE, READING, ROW_NEW_HALF, SET_ROW, Set, bits, channels, quality_bits, reason_bits,
    small,
};
use crate::head::SessionHead;
use crate::journal::varint;
use crate::tick::Tick;

/// Gathers rows for a frame.
pub(crate) struct RowWriter {
    /// Those of the head come first, and those alone are left where a frame begins.
    channels: Vec<Channel>,
    of_head: usize,
    numbers: BTreeMap<ChannelId, usize>,
    /// Number of the channel that came after this one last time.
    next: Vec<usize>,
    previous: usize,
    at: i64,
    sets: Vec<Set>,
    by_members: BTreeMap<Vec<usize>, usize>,
    together: Together,
    body: Vec<u8>,
    rows: usize,
}

/// Usual readings of one time that have not been written yet.
#[derive(Default)]
struct Together {
    tick: i64,
    half: i64,
    members: Vec<usize>,
    counts: Vec<i64>,
}

impl RowWriter {
    pub(crate) fn new(head: &SessionHead) -> Self {
        let channels = channels(head);
        let mut numbers = BTreeMap::new();
        for (number, channel) in channels.iter().enumerate() {
            numbers.entry(channel.id.clone()).or_insert(number);
        }
        Self {
            of_head: channels.len(),
            next: vec![0; channels.len()],
            channels,
            numbers,
            previous: 0,
            at: 0,
            sets: Vec::new(),
            by_members: BTreeMap::new(),
            together: Together::default(),
            body: Vec::new(),
            rows: 0,
        }
    }

    fn begin_frame(&mut self) {
        self.channels.truncate(self.of_head);
        self.channels.iter_mut().for_each(Channel::begin_frame);
        self.numbers.retain(|_, number| *number < self.of_head);
        self.next.truncate(self.of_head);
        self.previous = 0;
        self.at = 0;
        self.sets.clear();
        self.by_members.clear();
        self.body.clear();
        self.rows = 0;
    }

    /// Appends a reading.
    pub(crate) fn sample(&mut self, sample: &Sample) {
        let Tick { middle: tick, half } = Tick::of(sample.at, sample.time_uncertainty);
        let number = self.number(&sample.channel);
        self.rows += 1;
        let channel = &self.channels[number];
        let usual = sample.quality == Quality::Good
            && channel.on_line(sample.raw) == Some(sample.value.to_bits())
            && channel.usual == bits(sample);
        if !usual {
            self.close_row();
            self.reading(number, tick, half, sample);
            return;
        }
        let row = &self.together;
        let fits = (row.tick, row.half) == (tick, half)
            && row.members.len() < MOST_IN_SET
            && !row.members.contains(&number);
        if !fits {
            self.close_row();
            (self.together.tick, self.together.half) = (tick, half);
        }
        self.together.members.push(number);
        self.together.counts.push(sample.raw);
    }

    /// Appends a gap.
    pub(crate) fn gap(&mut self, gap: &Gap) {
        self.close_row();
        let Tick { middle: tick, half } = Tick::of(gap.at, gap.half);
        let number = self.number(&gap.channel);
        self.rows += 1;
        self.body.push(GAP | reason_bits(gap.why) << 2);
        varint::put(&mut self.body, number as u64);
        self.time(tick);
        varint::put_signed(&mut self.body, half.wrapping_sub(self.channels[number].half));
    }

    /// Bytes gathered, but for the row that is still open.
    pub(crate) fn len(&self) -> usize {
        self.body.len()
    }

    /// Rows gathered.
    pub(crate) fn rows(&self) -> usize {
        self.rows
    }

    /// Hands out what was gathered, unless it is nothing, and begins anew.
    pub(crate) fn take(&mut self, to: impl FnOnce(&[u8])) {
        self.close_row();
        if !self.body.is_empty() {
            to(&self.body);
            self.begin_frame();
        }
    }

    /// The number of a channel, which is named first where it has none. Channels mostly come in the same order, so the one
    /// that followed last time is looked at before all others.
    fn number(&mut self, id: &ChannelId) -> usize {
        let likely = self.next.get(self.previous).copied().unwrap_or(0);
        let number = match self.channels.get(likely) {
            Some(channel) if channel.id == *id => likely,
            _ => match self.numbers.get(id) {
                Some(number) => *number,
                None => self.name(id),
            },
        };
        if let Some(next) = self.next.get_mut(self.previous) {
            *next = number;
        }
        self.previous = number;
        number
    }

    fn name(&mut self, id: &ChannelId) -> usize {
        self.close_row();
        let number = self.channels.len();
        self.channels.push(Channel::stranger(id.clone()));
        self.next.push(0);
        self.numbers.insert(id.clone(), number);
        self.body.push(NAME);
        self.body.push(u8::try_from(id.as_str().len()).expect("an id has at most 64 bytes"));
        self.body.extend_from_slice(id.as_str().as_bytes());
        number
    }

    fn time(&mut self, tick: i64) {
        varint::put_signed(&mut self.body, tick.wrapping_sub(self.at));
        self.at = tick;
    }

    fn reading(&mut self, number: usize, tick: i64, half: i64, sample: &Sample) {
        let channel = &self.channels[number];
        let (value, uncertainty) = (sample.value.to_bits(), bits(sample));
        let where_value = if channel.on_line(sample.raw) == Some(value) {
            ON_LINE
        } else if channel.value == value {
            AS_BEFORE
        } else {
            IN_FULL
        };
        let mut tag = READING | quality_bits(sample.quality) << 2 | where_value;
        if half != channel.half {
            tag |= NEW_HALF;
        }
        if uncertainty != channel.uncertainty {
            tag |= NEW_UNCERTAINTY;
        }
        let (raw, old_half) = (sample.raw.wrapping_sub(channel.raw), channel.half);
        self.body.push(tag);
        varint::put(&mut self.body, number as u64);
        self.time(tick);
        varint::put_signed(&mut self.body, raw);
        if tag & NEW_HALF != 0 {
            varint::put_signed(&mut self.body, half.wrapping_sub(old_half));
        }
        if tag & NEW_UNCERTAINTY != 0 {
            uncertainty.iter().for_each(|n| self.body.extend_from_slice(&n.to_le_bytes()));
        }
        if where_value == IN_FULL {
            self.body.extend_from_slice(&value.to_le_bytes());
        }
        let channel = &mut self.channels[number];
        (channel.raw, channel.value, channel.half) = (sample.raw, value, half);
        channel.uncertainty = uncertainty;
    }

    /// Writes the usual readings that came together.
    fn close_row(&mut self) {
        if self.together.members.is_empty() {
            return;
        }
        let row = std::mem::take(&mut self.together);
        match self.by_members.get(&row.members) {
            Some(set) => self.row_of_set(*set, &row),
            None if self.sets.len() < MOST_SETS => self.first_of_set(&row),
            None => self.one_by_one(&row),
        }
        for (number, raw) in row.members.iter().zip(&row.counts) {
            let channel = &mut self.channels[*number];
            let value = channel.on_line(*raw).expect("a usual reading is of a channel of the head");
            channel.usual_reading(*raw, value, row.half);
        }
        // Its lists are used again.
        self.together = row;
        self.together.members.clear();
        self.together.counts.clear();
    }

    fn first_of_set(&mut self, row: &Together) {
        self.body.push(NEW_SET);
        varint::put(&mut self.body, row.members.len() as u64);
        let mut expected = 0_usize;
        for run in row.members.chunk_by(|a, b| a + 1 == *b) {
            varint::put_signed(&mut self.body, run[0] as i64 - expected as i64);
            varint::put(&mut self.body, run.len() as u64 - 1);
            expected = run[0] + run.len();
        }
        self.time(row.tick);
        varint::put_signed(&mut self.body, row.half);
        for (number, raw) in row.members.iter().zip(&row.counts) {
            varint::put_signed(&mut self.body, raw.wrapping_sub(self.channels[*number].raw));
        }
        self.by_members.insert(row.members.clone(), self.sets.len());
        self.sets.push(Set { members: row.members.clone(), at: row.tick, step: 0, half: row.half });
    }

    fn row_of_set(&mut self, number: usize, row: &Together) {
        let set = &mut self.sets[number];
        let new_half = if row.half == set.half { 0 } else { ROW_NEW_HALF };
        let near = (number as u64).min(FAR_SET);
        self.body.push(SET_ROW | new_half | (near as u8) << 3);
        if near == FAR_SET {
            varint::put(&mut self.body, number as u64 - FAR_SET);
        }
        varint::put_signed(&mut self.body, row.tick.wrapping_sub(set.expected()));
        if new_half != 0 {
            varint::put_signed(&mut self.body, row.half.wrapping_sub(set.half));
        }
        set.moved_to(row.tick, row.half);
        self.at = row.tick;
        self.counts(row);
    }

    /// Which counts of a row changed, and by how much.
    fn counts(&mut self, row: &Together) {
        let mask = self.body.len();
        self.body.resize(mask + row.members.len().div_ceil(8), 0);
        let (mut half_byte, mut far) = (None, Vec::new());
        for (i, (number, raw)) in row.members.iter().zip(&row.counts).enumerate() {
            let difference = raw.wrapping_sub(self.channels[*number].raw);
            if difference == 0 {
                continue;
            }
            self.body[mask + i / 8] |= 1 << (i % 8);
            let half = small(difference);
            if half == FAR {
                varint::put_signed(&mut far, difference);
            }
            match half_byte.take() {
                None => half_byte = Some(half),
                Some(low) => self.body.push(low | half << 4),
            }
        }
        self.body.extend(half_byte);
        self.body.extend_from_slice(&far);
    }

    /// A row whose set finds no room in the frame.
    fn one_by_one(&mut self, row: &Together) {
        for (number, raw) in row.members.iter().zip(&row.counts) {
            let channel = &mut self.channels[*number];
            let (new_half, new_uncertainty) =
                (row.half != channel.half, channel.usual != channel.uncertainty);
            let tag = READING
                | ON_LINE
                | if new_half { NEW_HALF } else { 0 }
                | if new_uncertainty { NEW_UNCERTAINTY } else { 0 };
            self.body.push(tag);
            varint::put(&mut self.body, *number as u64);
            varint::put_signed(&mut self.body, row.tick.wrapping_sub(self.at));
            self.at = row.tick;
            varint::put_signed(&mut self.body, raw.wrapping_sub(channel.raw));
            if new_half {
                varint::put_signed(&mut self.body, row.half.wrapping_sub(channel.half));
            }
            if new_uncertainty {
                channel.usual.iter().for_each(|n| self.body.extend_from_slice(&n.to_le_bytes()));
                channel.uncertainty = channel.usual;
            }
        }
    }
}
