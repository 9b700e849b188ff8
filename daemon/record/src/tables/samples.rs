//! The table of samples.

use std::path::Path;

use super::TableError;
use super::about::{ON_LINE, SLICES, TableHead};
use super::columns::SAMPLES;
use super::slice::Slice;
use super::write::{TableFile, Written};
use crate::disk::Disk;
use crate::row::Row;

/// Rows gathered before they are written, a row group a channel: what is held in memory at once, some 40
/// bytes a row. The more, the longer the runs of one channel and the smaller the file.
pub(crate) const SLICE_ROWS: usize = 256 << 10;

/// Writes readings and gaps in the order given.
pub(crate) struct SampleTable {
    file: TableFile,
    slice: Slice,
    /// How many row groups each slice became.
    slices: Vec<usize>,
    /// Whether each row group is on its channel's line.
    on_line: Vec<bool>,
}

impl SampleTable {
    pub(crate) fn create(disk: &dyn Disk, path: &Path, about: TableHead<'_>) -> Result<Self, TableError> {
        let file = TableFile::create(disk, path, SAMPLES, about.key_values("samples"))?;
        Ok(Self { file, slice: Slice::new(about.head), slices: Vec::new(), on_line: Vec::new() })
    }

    pub(crate) fn push(&mut self, row: &Row) -> Result<(), TableError> {
        self.slice.push(row);
        if self.slice.rows() >= SLICE_ROWS {
            self.end_stretch()?;
        }
        Ok(())
    }

    pub(crate) fn finish(mut self) -> Result<Written, TableError> {
        self.end_stretch()?;
        let slices = serde_json::Value::from(self.slices).to_string();
        self.file.tell(SLICES, slices);
        self.file.tell(ON_LINE, serde_json::Value::from(self.on_line).to_string());
        self.file.finish()
    }

    /// Writes what is gathered, a row group a channel; nothing where nothing is.
    fn end_stretch(&mut self) -> Result<(), TableError> {
        if self.slice.rows() == 0 {
            return Ok(());
        }
        let mut groups = 0;
        for group in self.slice.take_groups() {
            self.file.group(&group.cells)?;
            self.on_line.push(group.on_line);
            groups += 1;
        }
        self.slices.push(groups);
        Ok(())
    }
}
