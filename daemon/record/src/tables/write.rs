//! A Parquet file, written a row group at a time, with the same bytes for the same rows.

use std::io::{self, Write};
use std::path::Path;
use std::sync::Arc;

use parquet::arrow::{ArrowSchemaConverter, add_encoded_arrow_schema_to_metadata};
use parquet::basic::{Compression, Encoding, ZstdLevel};
use parquet::column::page::Page;
use parquet::column::writer::{ColumnWriter, get_column_writer};
use parquet::data_type::ByteArray;
use parquet::errors::ParquetError;
use parquet::file::metadata::KeyValue;
use parquet::file::properties::{EnabledStatistics, WriterProperties};
use parquet::file::writer::SerializedFileWriter;
use parquet::schema::types::{ColumnPath, SchemaDescriptor};
use sha2::{Digest, Sha256};

use super::TableError;
use super::columns::{Column, schema};
use super::pages::CheckedPages;
use crate::card::{FileDigest, hex};
use crate::disk::{Disk, DiskFile};

/// Rows of a row group: what is held in memory at once.
pub(super) const GROUP_ROWS: usize = 128 << 10;

/// One column of a row group.
pub(super) enum Cells {
    Whole(Vec<i64>),
    MaybeWhole(Vec<Option<i64>>),
    MaybeNumber(Vec<Option<f64>>),
    Text(Vec<ByteArray>),
    MaybeText(Vec<Option<ByteArray>>),
}

/// A table on its way to the disk.
pub(super) struct TableFile {
    name: String,
    schema: SchemaDescriptor,
    writer: SerializedFileWriter<Digesting>,
}

impl TableFile {
    pub(super) fn create(
        disk: &dyn Disk,
        path: &Path,
        columns: &[Column],
        about: Vec<KeyValue>,
    ) -> Result<Self, TableError> {
        let arrow = schema(columns);
        let schema = ArrowSchemaConverter::new().convert(&arrow)?;
        let mut properties = properties(columns, about);
        add_encoded_arrow_schema_to_metadata(&arrow, &mut properties);
        let file = Digesting { file: disk.create(path)?, digest: Sha256::new(), bytes: 0 };
        let writer = SerializedFileWriter::new(file, schema.root_schema_ptr(), Arc::new(properties))?;
        let name = path.file_name().map(|n| n.to_string_lossy().into_owned()).unwrap_or_default();
        Ok(Self { name, schema, writer })
    }

    /// Writes one row group; every column holds the same number of rows.
    pub(super) fn group(&mut self, columns: &[Cells]) -> Result<(), TableError> {
        let properties = self.writer.properties().clone();
        let mut group = self.writer.next_row_group()?;
        for (cells, column) in columns.iter().zip(self.schema.columns()) {
            let mut chunk = Vec::new();
            let pages = Box::new(CheckedPages::new(&mut chunk));
            let mut writer = get_column_writer(column.clone(), properties.clone(), pages);
            put(&mut writer, cells)?;
            let closed = writer.close()?;
            // The library takes a chunk as a shared buffer of a type it does not name; a page holds one.
            let held = Page::DictionaryPage {
                buf: chunk.into(),
                num_values: 0,
                encoding: Encoding::PLAIN,
                is_sorted: false,
            };
            group.append_column(held.buffer(), closed)?;
        }
        group.close()?;
        Ok(())
    }

    /// Adds what is known only at the end to what the file says of itself.
    pub(super) fn tell(&mut self, key: &str, value: String) {
        self.writer.append_key_value_metadata(KeyValue::new(key.to_owned(), value));
    }

    /// Ends the file and syncs it.
    pub(super) fn finish(self) -> Result<FileDigest, TableError> {
        let mut file = self.writer.into_inner()?;
        file.flush()?;
        file.file.sync()?;
        Ok(FileDigest { name: self.name, bytes: file.bytes, sha256: hex(&file.digest.finalize()) })
    }
}

fn put(writer: &mut ColumnWriter<'_>, cells: &Cells) -> Result<(), ParquetError> {
    match (writer, cells) {
        (ColumnWriter::Int64ColumnWriter(w), Cells::Whole(v)) => w.write_batch(v, None, None),
        (ColumnWriter::Int64ColumnWriter(w), Cells::MaybeWhole(v)) => {
            let (present, levels) = sparse(v);
            w.write_batch(&present, Some(&levels), None)
        }
        (ColumnWriter::DoubleColumnWriter(w), Cells::MaybeNumber(v)) => {
            let (present, levels) = sparse(v);
            w.write_batch(&present, Some(&levels), None)
        }
        (ColumnWriter::ByteArrayColumnWriter(w), Cells::Text(v)) => w.write_batch(v, None, None),
        (ColumnWriter::ByteArrayColumnWriter(w), Cells::MaybeText(v)) => {
            let (present, levels) = sparse(v);
            w.write_batch(&present, Some(&levels), None)
        }
        _ => Err(ParquetError::General("a column's cells are not of its declared kind".into())),
    }
    .map(drop)
}

/// The cells that there are, and for every row whether there is one.
fn sparse<T: Clone>(cells: &[Option<T>]) -> (Vec<T>, Vec<i16>) {
    let levels = cells.iter().map(|cell| i16::from(cell.is_some())).collect();
    (cells.iter().flatten().cloned().collect(), levels)
}

/// No clock and no version of a library goes into the file, so that the same rows give the same bytes.
fn properties(columns: &[Column], about: Vec<KeyValue>) -> WriterProperties {
    let zstd = ZstdLevel::try_new(1).expect("level 1 is one of zstd's levels");
    let mut properties = WriterProperties::builder()
        .set_created_by(format!("holdgate record {}", crate::RECORD_VERSION))
        .set_compression(Compression::ZSTD(zstd))
        .set_statistics_enabled(EnabledStatistics::Page)
        .set_key_value_metadata(Some(about));
    for column in columns {
        let path = ColumnPath::from(column.name);
        let (encoding, dictionary) = column.kind.encoding();
        properties = properties.set_column_dictionary_enabled(path.clone(), dictionary);
        properties = properties.set_column_encoding(path, encoding);
    }
    properties.build()
}

/// Writes through to a file and keeps its digest.
struct Digesting {
    file: Box<dyn DiskFile>,
    digest: Sha256,
    bytes: u64,
}

impl Write for Digesting {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        let n = self.file.write(bytes)?;
        self.digest.update(&bytes[..n]);
        self.bytes += n as u64;
        Ok(n)
    }

    fn flush(&mut self) -> io::Result<()> {
        self.file.flush()
    }
}
