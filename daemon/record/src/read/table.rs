//! Opening a table of a session and finding its columns.

use std::fs::File;
use std::path::Path;

use arrow::array::{Array, AsArray, Float64Array, RecordBatch, StringArray};
use arrow::datatypes::{Float64Type, Int32Type, Int64Type};
use model::Problem;
use parquet::arrow::arrow_reader::{
    ArrowReaderMetadata, ArrowReaderOptions, ParquetRecordBatchReader, ParquetRecordBatchReaderBuilder,
};

use crate::problem::{damaged, on_disk};

/// Rows read at once.
pub(super) const BATCH_ROWS: usize = 2 << 10;

/// A table whose footer is read.
pub(super) struct Table {
    pub(super) file: File,
    pub(super) metadata: ArrowReaderMetadata,
}

impl Table {
    pub(super) fn open(path: &Path) -> Result<Self, Problem> {
        let file = File::open(path).map_err(|e| on_disk(path, "opening the table", &e))?;
        let metadata = ArrowReaderMetadata::load(&file, ArrowReaderOptions::default())
            .map_err(|e| unreadable(path, &e.to_string()))?;
        let table = Self { file, metadata };
        match table.said("holdgate.record") {
            Some(version) if version == crate::RECORD_VERSION.to_string() => Ok(table),
            Some(version) => {
                let seen =
                    format!("it is of version {version}; this program reads {}", crate::RECORD_VERSION);
                Err(damaged(path, seen, "read it with the version of this program that wrote it"))
            }
            None => Err(unreadable(path, "it is not a table of a session")),
        }
    }

    /// What the table says of itself under a key.
    pub(super) fn said(&self, key: &str) -> Option<&str> {
        let keys = self.metadata.metadata().file_metadata().key_value_metadata()?;
        keys.iter().find(|kv| kv.key == key)?.value.as_deref()
    }

    /// The rows of some of its groups, in their order.
    pub(super) fn groups(&self, groups: Vec<usize>) -> Result<ParquetRecordBatchReader, String> {
        let file = self.file.try_clone().map_err(|e| e.to_string())?;
        ParquetRecordBatchReaderBuilder::new_with_metadata(file, self.metadata.clone())
            .with_row_groups(groups)
            .with_batch_size(BATCH_ROWS)
            .build()
            .map_err(|e| e.to_string())
    }

    /// All its rows.
    pub(super) fn all(&self) -> Result<ParquetRecordBatchReader, String> {
        self.groups((0..self.metadata.metadata().num_row_groups()).collect())
    }
}

pub(super) fn unreadable(path: &Path, why: &str) -> Problem {
    damaged(
        path,
        format!("it cannot be read: {why}"),
        "restore the session's folder from a copy, or see what 'holdgate sessions rescue' can have of it",
    )
}

pub(super) fn column<'a>(batch: &'a RecordBatch, name: &str) -> Result<&'a dyn Array, String> {
    batch.column_by_name(name).map(AsRef::as_ref).ok_or_else(|| format!("column '{name}' is missing"))
}

/// A column that every row fills.
pub(super) fn full<'a>(batch: &'a RecordBatch, name: &str) -> Result<&'a dyn Array, String> {
    let column = column(batch, name)?;
    if column.null_count() > 0 {
        return Err(format!("column '{name}' has rows without a value"));
    }
    Ok(column)
}

pub(super) fn wholes<'a>(batch: &'a RecordBatch, name: &str) -> Result<&'a [i64], String> {
    let array = full(batch, name)?.as_primitive_opt::<Int64Type>();
    array.map(|a| &a.values()[..]).ok_or_else(|| of_another_kind(name))
}

pub(super) fn numbers<'a>(batch: &'a RecordBatch, name: &str) -> Result<&'a Float64Array, String> {
    column(batch, name)?.as_primitive_opt::<Float64Type>().ok_or_else(|| of_another_kind(name))
}

pub(super) fn of_another_kind(name: &str) -> String {
    format!("column '{name}' is not of its kind")
}

/// A column of texts out of few: a key for each row into the list of texts.
pub(super) struct Names<'a> {
    pub(super) keys: &'a [i32],
    texts: &'a StringArray,
}

pub(super) fn names<'a>(batch: &'a RecordBatch, name: &str) -> Result<Names<'a>, String> {
    let array = full(batch, name)?.as_dictionary_opt::<Int32Type>().ok_or_else(|| of_another_kind(name))?;
    let texts = array.values().as_string_opt::<i32>().ok_or_else(|| of_another_kind(name))?;
    Ok(Names { keys: array.keys().values(), texts })
}

/// What each of the few texts means.
pub(super) fn distinct<T>(names: &Names<'_>, of: impl Fn(&str) -> Option<T>) -> Result<Vec<T>, String> {
    let each = |text: Option<&str>| {
        let text = text.unwrap_or_default();
        of(text).ok_or_else(|| format!("'{text}' is not a word it may hold"))
    };
    names.texts.iter().map(each).collect()
}
