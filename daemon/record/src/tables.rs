//! The recorded tables: what their columns are, and how they become Parquet files.

use std::path::Path;

use model::Problem;

use crate::card::FileDigest;
use crate::disk::RealDisk;
use crate::head::SessionHead;
use crate::problem::{damaged, on_disk};
use crate::row::Row;

mod about;
mod columns;
mod constant;
mod events;
mod pages;
mod samples;
mod slice;
mod telling;
mod wire;
mod words;
mod write;

pub(crate) use about::{Anchors, ON_LINE, SLICES, TableHead};
pub use columns::{DeclaredTable, declared_tables};
pub(crate) use events::EventTable;
pub(crate) use samples::SampleTable;
pub(crate) use wire::WireTable;
pub(crate) use words::{quality_of, quality_word, reason_word};

/// Writes a table of samples by itself, outside any session: readings and gaps in the order of time. The file
/// must not exist.
pub fn write_samples<'a>(
    path: &Path,
    head: &SessionHead,
    rows: impl IntoIterator<Item = &'a Row>,
) -> Result<FileDigest, Problem> {
    let anchors = Anchors::new(head.utc_nanos);
    let write = || {
        let mut table = SampleTable::create(&RealDisk, path, TableHead { head, anchors: &anchors })?;
        rows.into_iter().try_for_each(|row| table.push(row))?;
        table.finish().map(|written| written.digest)
    };
    write().map_err(|e: TableError| e.at(path))
}

/// Why a table cannot be written.
#[derive(Debug, thiserror::Error)]
pub(crate) enum TableError {
    /// The disk refused.
    #[error("{0}")]
    Disk(#[from] std::io::Error),
    /// The table refused.
    #[error("{0}")]
    Parquet(#[from] parquet::errors::ParquetError),
}

impl TableError {
    pub(crate) fn at(self, path: &Path) -> Problem {
        match self {
            Self::Disk(e) => on_disk(path, "writing the table", &e),
            // What the disk said comes wrapped by the table's writer.
            Self::Parquet(e) => damaged(
                path,
                format!("writing the table failed: {e}"),
                "check the disk and its free room; the journal stays and is tried again at the next start",
            ),
        }
    }
}
