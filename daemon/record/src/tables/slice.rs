//! Rows on their way into the table of samples: gathered by channel, so that each channel's rows lie together.

use std::collections::BTreeMap;

use model::{ChannelId, GapReason, Quality, Sample};
use parquet::data_type::ByteArray;

use super::constant::Constant;
use super::words::{quality_word, reason_word};
use super::write::Cells;
use crate::head::SessionHead;
use crate::row::Row;
use crate::tick::Tick;

/// A row without what all rows of its channel share: some 40 bytes, so that many fit into little memory.
#[derive(Clone, Copy)]
struct Short {
    tick: Tick,
    raw: i64,
    value: f64,
    uncertainty: u32,
    kind: Kind,
}

#[derive(Clone, Copy, PartialEq)]
enum Kind {
    Sample(Quality),
    Gap(GapReason),
}

struct Channel {
    id: ChannelId,
    unit: Option<ByteArray>,
    /// Factor and offset of its line.
    line: Option<(f64, f64)>,
    rows: Vec<Short>,
    /// The triples of uncertainty by their bits, in the order of their first coming.
    uncertainties: Vec<[u64; 3]>,
    numbers: BTreeMap<[u64; 3], u32>,
}

/// The rows of one channel, ready to be written.
pub(super) struct Group {
    pub(super) cells: Vec<Cells>,
    /// Whether every value is its count on the channel's line, to the last bit.
    pub(super) on_line: bool,
}

/// Rows by channel.
pub(super) struct Slice {
    session: ByteArray,
    channels: Vec<Channel>,
    numbers: BTreeMap<ChannelId, usize>,
    rows: usize,
    /// The channel after the one that came last: readings mostly come in turn.
    expected: usize,
}

impl Slice {
    pub(super) fn new(head: &SessionHead) -> Self {
        let session = head.session.as_str().into();
        let mut slice =
            Self { session, channels: Vec::new(), numbers: BTreeMap::new(), rows: 0, expected: 0 };
        for channel in &head.channels {
            let line = Some((channel.factor, channel.offset));
            slice.channel(&channel.id, Some(channel.unit.code().into()), line);
        }
        slice
    }

    /// How many rows are gathered.
    pub(super) fn rows(&self) -> usize {
        self.rows
    }

    fn channel(&mut self, id: &ChannelId, unit: Option<ByteArray>, line: Option<(f64, f64)>) -> usize {
        *self.numbers.entry(id.clone()).or_insert_with(|| {
            self.channels.push(Channel {
                id: id.clone(),
                unit,
                line,
                rows: Vec::new(),
                uncertainties: Vec::new(),
                numbers: BTreeMap::new(),
            });
            self.channels.len() - 1
        })
    }

    pub(super) fn push(&mut self, row: &Row) {
        let number = match self.channels.get(self.expected) {
            Some(expected) if expected.id == *row.channel() => self.expected,
            // One that the head does not name has no unit and no line that anybody knows.
            _ => self.channel(row.channel(), None, None),
        };
        self.expected = (number + 1) % self.channels.len();
        let channel = &mut self.channels[number];
        let tick = Tick::of(row.at(), row.half());
        let short = match row {
            Row::Sample(sample) => Short {
                tick,
                raw: sample.raw,
                value: sample.value,
                uncertainty: channel.uncertainty(sample),
                kind: Kind::Sample(sample.quality),
            },
            Row::Gap(gap) => Short { tick, raw: 0, value: 0.0, uncertainty: 0, kind: Kind::Gap(gap.why) },
        };
        channel.rows.push(short);
        self.rows += 1;
    }

    /// Takes the rows out, a group a channel in the order of the head, each in the order of time.
    pub(super) fn take_groups(&mut self) -> impl Iterator<Item = Group> + '_ {
        self.rows = 0;
        let session = &self.session;
        self.channels.iter_mut().filter(|channel| !channel.rows.is_empty()).map(|channel| {
            let mut rows = std::mem::take(&mut channel.rows);
            rows.sort_by_key(|row| row.tick.middle);
            let group = Group { on_line: channel.on_line(&rows), cells: channel.cells(session, &rows) };
            channel.uncertainties.clear();
            channel.numbers.clear();
            group
        })
    }
}

impl Channel {
    fn uncertainty(&mut self, sample: &Sample) -> u32 {
        let it = &sample.uncertainty;
        let bits = [it.noise, it.resolution, it.shared].map(f64::to_bits);
        // Most readings are as uncertain as the one before.
        if let Some(last) = self.rows.last()
            && self.uncertainties.get(last.uncertainty as usize) == Some(&bits)
        {
            return last.uncertainty;
        }
        let next = self.uncertainties.len() as u32;
        *self.numbers.entry(bits).or_insert_with(|| {
            self.uncertainties.push(bits);
            next
        })
    }

    fn on_line(&self, rows: &[Short]) -> bool {
        let Some((factor, offset)) = self.line else { return false };
        let on_it = |row: &Short| row.value.to_bits() == (row.raw as f64 * factor + offset).to_bits();
        rows.iter().all(|row| matches!(row.kind, Kind::Gap(_)) || on_it(row))
    }

    fn cells(&self, session: &ByteArray, rows: &[Short]) -> Vec<Cells> {
        let (count, first) = (rows.len(), rows[0]);
        let same = |text: ByteArray| Cells::Same(Constant::Text(text), count);
        let alike = rows.iter().all(|row| row.kind == first.kind);
        let sample = |row: &Short| matches!(row.kind, Kind::Sample(_));
        let certain = rows.iter().all(|row| sample(row) && row.uncertainty == first.uncertainty);
        let part = |n: usize| {
            let number = move |row: &Short| f64::from_bits(self.uncertainties[row.uncertainty as usize][n]);
            if certain {
                return Cells::Same(Constant::Number(number(&first)), count);
            }
            Cells::MaybeNumber(rows.iter().map(|row| sample(row).then(|| number(row))).collect())
        };
        vec![
            same(session.clone()),
            same(self.id.as_str().into()),
            Cells::Whole(rows.iter().map(|row| row.tick.middle).collect()),
            Cells::Whole(rows.iter().map(|row| row.tick.half).collect()),
            Cells::MaybeWhole(rows.iter().map(|row| sample(row).then_some(row.raw)).collect()),
            Cells::MaybeNumber(rows.iter().map(|row| sample(row).then_some(row.value)).collect()),
            Cells::Same(self.unit.clone().map_or(Constant::Nothing, Constant::Text), count),
            part(0),
            part(1),
            part(2),
            if alike {
                same(first.kind.word().into())
            } else {
                Cells::Text(rows.iter().map(|row| row.kind.word().into()).collect())
            },
        ]
    }
}

impl Kind {
    fn word(self) -> &'static str {
        match self {
            Self::Sample(quality) => quality_word(quality),
            Self::Gap(why) => reason_word(why),
        }
    }
}
