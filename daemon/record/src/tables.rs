//! The recorded tables: what their columns are, and how they become Parquet files.

use std::path::Path;

use model::Problem;

use crate::problem::{damaged, on_disk};

mod about;
mod columns;
mod events;
mod pages;
mod samples;
mod slice;
mod telling;
mod wire;
mod words;
mod write;

pub(crate) use about::{Anchors, SLICES, TableHead};
pub use columns::{DeclaredTable, declared_tables};
pub(crate) use events::EventTable;
pub(crate) use samples::SampleTable;
pub(crate) use wire::WireTable;
pub(crate) use words::quality_of;

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
