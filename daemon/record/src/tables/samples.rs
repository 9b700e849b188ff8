//! The table of samples.

use std::collections::BTreeMap;
use std::path::Path;

use model::{ChannelId, Quality, Sample};
use parquet::data_type::ByteArray;

use super::about::TableHead;
use super::columns::SAMPLES;
use super::write::{Cells, GROUP_ROWS, TableFile};
use super::{Anchors, TableError};
use crate::card::FileDigest;
use crate::disk::Disk;

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
    raw: Vec<i64>,
    value: Vec<f64>,
    noise: Vec<f64>,
    resolution: Vec<f64>,
    shared: Vec<f64>,
    quality: Vec<ByteArray>,
}

impl<'a> SampleTable<'a> {
    pub(crate) fn create(disk: &dyn Disk, path: &Path, about: TableHead<'a>) -> Result<Self, TableError> {
        let file = TableFile::create(disk, path, SAMPLES, about.key_values("samples"))?;
        Ok(Self { file, anchors: about.anchors, names: BTreeMap::new(), rows: Rows::default() })
    }

    pub(crate) fn push(&mut self, sample: &Sample) -> Result<(), TableError> {
        let name = self.names.entry(sample.channel.clone()).or_insert_with(|| sample.channel.as_str().into());
        let rows = &mut self.rows;
        rows.channel.push(name.clone());
        rows.at.push(sample.at.0);
        rows.utc.push(self.anchors.utc(sample.at));
        rows.time_uncertainty.push(sample.time_uncertainty.0);
        rows.raw.push(sample.raw);
        rows.value.push(sample.value);
        rows.noise.push(sample.uncertainty.noise);
        rows.resolution.push(sample.uncertainty.resolution);
        rows.shared.push(sample.uncertainty.shared);
        rows.quality.push(quality_word(sample.quality).into());
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
            Cells::Whole(rows.raw),
            Cells::Number(rows.value),
            Cells::Number(rows.noise),
            Cells::Number(rows.resolution),
            Cells::Number(rows.shared),
            Cells::Text(rows.quality),
        ])
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
