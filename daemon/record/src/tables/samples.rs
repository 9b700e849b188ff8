//! The table of samples.

use std::collections::BTreeMap;
use std::path::Path;

use model::{ChannelId, GapReason, Quality};
use parquet::data_type::ByteArray;

use super::about::TableHead;
use super::columns::SAMPLES;
use super::write::{Cells, GROUP_ROWS, TableFile};
use super::{Anchors, TableError};
use crate::card::FileDigest;
use crate::disk::Disk;
use crate::row::Row;

/// Writes samples in the order given.
pub(crate) struct SampleTable<'a> {
    file: TableFile,
    anchors: &'a Anchors,
    names: BTreeMap<ChannelId, ByteArray>,
    rows: Rows,
}

#[derive(Default)]
struct Rows {
    channel: Vec<ByteArray>,
    at: Vec<i64>,
    utc: Vec<i64>,
    time_uncertainty: Vec<i64>,
    raw: Vec<Option<i64>>,
    value: Vec<Option<f64>>,
    noise: Vec<Option<f64>>,
    resolution: Vec<Option<f64>>,
    shared: Vec<Option<f64>>,
    quality: Vec<ByteArray>,
}

impl<'a> SampleTable<'a> {
    pub(crate) fn create(disk: &dyn Disk, path: &Path, about: TableHead<'a>) -> Result<Self, TableError> {
        let file = TableFile::create(disk, path, SAMPLES, about.key_values("samples"))?;
        Ok(Self { file, anchors: about.anchors, names: BTreeMap::new(), rows: Rows::default() })
    }

    pub(crate) fn push(&mut self, row: &Row) -> Result<(), TableError> {
        let channel = row.channel();
        let name = self.names.entry(channel.clone()).or_insert_with(|| channel.as_str().into());
        let rows = &mut self.rows;
        rows.channel.push(name.clone());
        rows.at.push(row.at().0);
        rows.utc.push(self.anchors.utc(row.at()));
        rows.time_uncertainty.push(row.half().0);
        let sample = match row {
            Row::Sample(sample) => Some(sample),
            Row::Gap(_) => None,
        };
        rows.raw.push(sample.map(|s| s.raw));
        rows.value.push(sample.map(|s| s.value));
        rows.noise.push(sample.map(|s| s.uncertainty.noise));
        rows.resolution.push(sample.map(|s| s.uncertainty.resolution));
        rows.shared.push(sample.map(|s| s.uncertainty.shared));
        rows.quality.push(word(row).into());
        if rows.at.len() >= GROUP_ROWS {
            self.write_group()?;
        }
        Ok(())
    }

    pub(crate) fn finish(mut self) -> Result<FileDigest, TableError> {
        if !self.rows.at.is_empty() {
            self.write_group()?;
        }
        self.file.finish()
    }

    fn write_group(&mut self) -> Result<(), TableError> {
        let rows = std::mem::take(&mut self.rows);
        self.file.group(&[
            Cells::Text(rows.channel),
            Cells::Whole(rows.at),
            Cells::Whole(rows.utc),
            Cells::Whole(rows.time_uncertainty),
            Cells::MaybeWhole(rows.raw),
            Cells::MaybeNumber(rows.value),
            Cells::MaybeNumber(rows.noise),
            Cells::MaybeNumber(rows.resolution),
            Cells::MaybeNumber(rows.shared),
            Cells::Text(rows.quality),
        ])
    }
}

fn word(row: &Row) -> &'static str {
    match row {
        Row::Sample(sample) => quality_word(sample.quality),
        Row::Gap(gap) => reason_word(gap.why),
    }
}

/// The word for a quality, as its JSON has it.
fn quality_word(quality: Quality) -> &'static str {
    match quality {
        Quality::Good => "good",
        Quality::Implausible => "implausible",
        Quality::Saturated => "saturated",
        Quality::Invalid => "invalid",
    }
}

/// The quality with this word.
pub(crate) fn quality_of(word: &str) -> Option<Quality> {
    [Quality::Good, Quality::Implausible, Quality::Saturated, Quality::Invalid]
        .into_iter()
        .find(|q| quality_word(*q) == word)
}

/// The word for the reason of a gap, as its JSON has it.
fn reason_word(why: GapReason) -> &'static str {
    match why {
        GapReason::NoAnswer => "no_answer",
        GapReason::Damaged => "damaged",
        GapReason::Refused => "refused",
        GapReason::LinkDown => "link_down",
        GapReason::Lost => "lost",
    }
}

/// The reason with this word.
pub(crate) fn reason_of(word: &str) -> Option<GapReason> {
    GapReason::ALL.into_iter().find(|why| reason_word(*why) == word)
}
