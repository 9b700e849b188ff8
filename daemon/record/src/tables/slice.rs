//! Rows on their way into the table of samples: gathered by channel, so that each channel's rows lie together.

use std::collections::BTreeMap;

use model::{ChannelId, GapReason, Quality, Sample};
use parquet::data_type::ByteArray;

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

#[derive(Clone, Copy)]
enum Kind {
    Sample(Quality),
    Gap(GapReason),
}

struct Channel {
    id: ChannelId,
    unit: Option<ByteArray>,
    rows: Vec<Short>,
    /// The triples of uncertainty by their bits, in the order of their first coming.
    uncertainties: Vec<[u64; 3]>,
    numbers: BTreeMap<[u64; 3], u32>,
}

/// Rows by channel.
pub(super) struct Slice {
    session: ByteArray,
    channels: Vec<Channel>,
    numbers: BTreeMap<ChannelId, usize>,
    rows: usize,
}

impl Slice {
    pub(super) fn new(head: &SessionHead) -> Self {
        let session = head.session.as_str().into();
        let mut slice = Self { session, channels: Vec::new(), numbers: BTreeMap::new(), rows: 0 };
        for channel in &head.channels {
            slice.channel(&channel.id, Some(channel.unit.code().into()));
        }
        slice
    }

    /// How many rows are gathered.
    pub(super) fn rows(&self) -> usize {
        self.rows
    }

    fn channel(&mut self, id: &ChannelId, unit: Option<ByteArray>) -> usize {
        *self.numbers.entry(id.clone()).or_insert_with(|| {
            self.channels.push(Channel {
                id: id.clone(),
                unit,
                rows: Vec::new(),
                uncertainties: Vec::new(),
                numbers: BTreeMap::new(),
            });
            self.channels.len() - 1
        })
    }

    pub(super) fn push(&mut self, row: &Row) {
        // One that the head does not name has no unit that anybody knows.
        let number = self.channel(row.channel(), None);
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
    pub(super) fn take_groups(&mut self) -> impl Iterator<Item = Vec<Cells>> + '_ {
        self.rows = 0;
        let session = &self.session;
        self.channels.iter_mut().filter(|channel| !channel.rows.is_empty()).map(|channel| {
            let mut rows = std::mem::take(&mut channel.rows);
            rows.sort_by_key(|row| row.tick.middle);
            channel.cells(session, &rows)
        })
    }
}

impl Channel {
    fn uncertainty(&mut self, sample: &Sample) -> u32 {
        let it = &sample.uncertainty;
        let bits = [it.noise, it.resolution, it.shared].map(f64::to_bits);
        let next = self.uncertainties.len() as u32;
        *self.numbers.entry(bits).or_insert_with(|| {
            self.uncertainties.push(bits);
            next
        })
    }

    fn cells(&self, session: &ByteArray, rows: &[Short]) -> Vec<Cells> {
        let name = ByteArray::from(self.id.as_str());
        let sample = |row: &Short| matches!(row.kind, Kind::Sample(_));
        let part = |n: usize| {
            let number = move |row: &Short| f64::from_bits(self.uncertainties[row.uncertainty as usize][n]);
            Cells::MaybeNumber(rows.iter().map(|row| sample(row).then(|| number(row))).collect())
        };
        vec![
            Cells::Text(vec![session.clone(); rows.len()]),
            Cells::Text(vec![name; rows.len()]),
            Cells::Whole(rows.iter().map(|row| row.tick.middle).collect()),
            Cells::Whole(rows.iter().map(|row| row.tick.half).collect()),
            Cells::MaybeWhole(rows.iter().map(|row| sample(row).then_some(row.raw)).collect()),
            Cells::MaybeNumber(rows.iter().map(|row| sample(row).then_some(row.value)).collect()),
            Cells::MaybeText(vec![self.unit.clone(); rows.len()]),
            part(0),
            part(1),
            part(2),
            Cells::Text(rows.iter().map(|row| row.kind.word().into()).collect()),
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
