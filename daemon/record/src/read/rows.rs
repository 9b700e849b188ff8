//! The rows of the table of samples in the order of time.
//!
//! On disk each channel's rows lie together, in stretches of bounded length. Within a stretch the channels
//! are read side by side and merged; one stretch follows the other.

use std::cmp::Reverse;
use std::collections::BinaryHeap;
use std::path::{Path, PathBuf};

use arrow::array::{Array, AsArray, RecordBatch};
use arrow::datatypes::Int64Type;
use model::{ChannelId, Gap, Moment, Problem, Sample, Uncertainty};
use parquet::arrow::arrow_reader::ParquetRecordBatchReader;

use super::table::{Table, column, distinct, names, numbers, of_another_kind, unreadable, wholes};
use crate::row::Row;
use crate::tables::{SLICES, quality_of};
use crate::tick::Tick;

/// The readings of a session in the order of time, one after the other, with bounded memory.
pub struct Samples(pub(super) Rows);

impl Iterator for Samples {
    type Item = Result<Sample, Problem>;

    fn next(&mut self) -> Option<Self::Item> {
        self.0.by_ref().find_map(|row| row.map(Row::into_sample).transpose())
    }
}

/// Readings and gaps of a session in the order of time (those of one moment in the order of the head's
/// channels), one after the other, with bounded memory.
pub struct Rows {
    path: PathBuf,
    table: Table,
    /// Row groups of each stretch that is still to come, last first.
    stretches: Vec<Vec<usize>>,
    channels: Vec<Cursor>,
    /// The next row's moment of each channel that has one, and which channel it is.
    next: BinaryHeap<Reverse<(Moment, usize)>>,
    over: bool,
}

struct Cursor {
    batches: ParquetRecordBatchReader,
    ready: std::vec::IntoIter<Row>,
    first: Option<Row>,
}

impl Cursor {
    fn advance(&mut self) -> Result<(), String> {
        loop {
            self.first = self.ready.next();
            if self.first.is_some() {
                return Ok(());
            }
            match self.batches.next() {
                None => return Ok(()),
                Some(batch) => self.ready = rows_of(&batch.map_err(|e| e.to_string())?)?.into_iter(),
            }
        }
    }
}

impl Rows {
    pub(super) fn open(path: &Path) -> Result<Self, Problem> {
        let table = Table::open(path)?;
        let mut rows = Self {
            path: path.to_path_buf(),
            stretches: Vec::new(),
            channels: Vec::new(),
            next: BinaryHeap::new(),
            over: false,
            table,
        };
        rows.stretches = rows.find_stretches().map_err(|why| unreadable(path, &why))?;
        Ok(rows)
    }

    fn find_stretches(&self) -> Result<Vec<Vec<usize>>, String> {
        let said = self.table.said(SLICES).ok_or("it does not tell its stretches")?;
        let lengths: Vec<usize> = serde_json::from_str(said).map_err(|e| format!("its stretches: {e}"))?;
        let groups = self.table.metadata.metadata().num_row_groups();
        let mut from = 0_usize;
        let mut stretches = Vec::new();
        for length in lengths {
            let to = from.checked_add(length).filter(|to| *to <= groups);
            let to = to.ok_or("its stretches are longer than it is")?;
            stretches.push((from..to).collect());
            from = to;
        }
        if from != groups {
            return Err("its stretches are shorter than it is".into());
        }
        stretches.reverse();
        Ok(stretches)
    }

    fn try_next(&mut self) -> Result<Option<Row>, String> {
        loop {
            if let Some(Reverse((_, channel))) = self.next.pop() {
                let cursor = &mut self.channels[channel];
                let row = cursor.first.take();
                cursor.advance()?;
                if let Some(first) = &cursor.first {
                    self.next.push(Reverse((first.at(), channel)));
                }
                return Ok(row);
            }
            let Some(groups) = self.stretches.pop() else { return Ok(None) };
            self.channels.clear();
            for group in groups {
                let batches = self.table.groups(vec![group])?;
                let mut cursor = Cursor { batches, ready: Vec::new().into_iter(), first: None };
                cursor.advance()?;
                if let Some(first) = &cursor.first {
                    self.next.push(Reverse((first.at(), self.channels.len())));
                }
                self.channels.push(cursor);
            }
        }
    }
}

impl Iterator for Rows {
    type Item = Result<Row, Problem>;

    fn next(&mut self) -> Option<Self::Item> {
        if self.over {
            return None;
        }
        let next = self.try_next().transpose();
        self.over = !matches!(next, Some(Ok(_)));
        next.map(|row| row.map_err(|why| unreadable(&self.path, &why)))
    }
}

fn rows_of(batch: &RecordBatch) -> Result<Vec<Row>, String> {
    let [channel, quality] = [names(batch, "channel")?, names(batch, "quality")?];
    let channels = distinct(&channel, |text| ChannelId::new(text).ok())?;
    let qualities = distinct(&quality, quality_of)?;
    let [middle, half] = [wholes(batch, "tick")?, wholes(batch, "half_ticks")?];
    let raw = column(batch, "raw")?.as_primitive_opt::<Int64Type>().ok_or_else(|| of_another_kind("raw"))?;
    let [value, noise] = [numbers(batch, "value")?, numbers(batch, "noise")?];
    let [resolution, shared] = [numbers(batch, "resolution")?, numbers(batch, "shared")?];
    let row = |i: usize| {
        let channel = channels[channel.keys[i] as usize].clone();
        let tick = Tick { middle: middle[i], half: half[i] };
        let quality = match qualities[quality.keys[i] as usize] {
            Ok(quality) => quality,
            Err(why) => return Ok(Row::Gap(Gap { channel, at: tick.at(), half: tick.span(), why })),
        };
        let there = [value, noise, resolution, shared].iter().all(|numbers| numbers.is_valid(i));
        if !there || raw.is_null(i) {
            return Err(format!("a reading of '{channel}' lacks a number"));
        }
        let uncertainty =
            Uncertainty { noise: noise.value(i), resolution: resolution.value(i), shared: shared.value(i) };
        Ok(Row::Sample(Sample {
            channel,
            at: tick.at(),
            time_uncertainty: tick.span(),
            raw: raw.value(i),
            value: value.value(i),
            uncertainty,
            quality,
        }))
    };
    (0..batch.num_rows()).map(row).collect()
}
