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
use super::constant::{self, Constant};
use super::pages::CheckedPages;
use crate::card::{FileDigest, hex};
use crate::disk::{Disk, DiskFile};
use crate::spare::TableMap;

/// Rows of a row group: what is held in memory at once.
pub(super) const GROUP_ROWS: usize = 128 << 10;

/// Rows of a page: what damage in one place of a file can cost.
const PAGE_ROWS: usize = 8 << 10;

/// One column of a row group.
pub(super) enum Cells {
    Whole(Vec<i64>),
    MaybeWhole(Sparse<i64>),
    MaybeNumber(Sparse<f64>),
    Text(Vec<ByteArray>),
    MaybeText(Sparse<ByteArray>),
    /// So many rows, all the same.
    Same(Constant, usize),
}

/// The cells that there are, and for every row whether there is one.
#[derive(Default)]
pub(super) struct Sparse<T> {
    present: Vec<T>,
    levels: Vec<i16>,
}

impl<T> Sparse<T> {
    pub(super) fn push(&mut self, cell: Option<T>) {
        self.levels.push(i16::from(cell.is_some()));
        self.present.extend(cell);
    }
}

impl<T> FromIterator<Option<T>> for Sparse<T> {
    fn from_iter<I: IntoIterator<Item = Option<T>>>(cells: I) -> Self {
        let cells = cells.into_iter();
        let rows = cells.size_hint().0;
        let mut sparse = Self { present: Vec::with_capacity(rows), levels: Vec::with_capacity(rows) };
        cells.for_each(|cell| sparse.push(cell));
        sparse
    }
}

/// A table on its way to the disk.
pub(super) struct TableFile {
    name: String,
    schema: SchemaDescriptor,
    writer: SerializedFileWriter<Digesting>,
    map: Vec<(u32, u32)>,
}

/// A table that lies whole and synced in its file.
pub(crate) struct Written {
    pub(crate) digest: FileDigest,
    pub(crate) map: TableMap,
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
        let file = Digesting { file: disk.create(path)?, digest: Sha256::new(), bytes: 0, tail: None };
        let writer = SerializedFileWriter::new(file, schema.root_schema_ptr(), Arc::new(properties))?;
        let name = path.file_name().map(|n| n.to_string_lossy().into_owned()).unwrap_or_default();
        Ok(Self { name, schema, writer, map: Vec::new() })
    }

    /// Writes one row group; every column holds the same number of rows.
    pub(super) fn group(&mut self, columns: &[Cells]) -> Result<(), TableError> {
        let properties = self.writer.properties().clone();
        let mut group = self.writer.next_row_group()?;
        for (cells, column) in columns.iter().zip(self.schema.columns()) {
            let mut chunk = Vec::new();
            let mut pages = CheckedPages::new(&mut chunk, &mut self.map);
            let closed = match cells {
                Cells::Same(value, rows) => constant::write(&mut pages, column, value, *rows as u32)?,
                _ => {
                    let mut writer = get_column_writer(column.clone(), properties.clone(), Box::new(pages));
                    put(&mut writer, cells)?;
                    writer.close()?
                }
            };
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
    pub(super) fn finish(mut self) -> Result<Written, TableError> {
        // What follows once all pages are out is the file's end, which the spare keeps once more.
        self.writer.flush()?;
        self.writer.inner_mut().tail = Some(Vec::new());
        let mut file = self.writer.into_inner()?;
        file.flush()?;
        file.file.sync()?;
        let tail = file.tail.unwrap_or_default();
        let map = TableMap { name: self.name.clone(), pages: self.map, tail };
        let digest = FileDigest { name: self.name, bytes: file.bytes, sha256: hex(&file.digest.finalize()) };
        Ok(Written { digest, map })
    }
}

fn put(writer: &mut ColumnWriter<'_>, cells: &Cells) -> Result<(), ParquetError> {
    match (writer, cells) {
        (ColumnWriter::Int64ColumnWriter(w), Cells::Whole(v)) => w.write_batch(v, None, None),
        (ColumnWriter::Int64ColumnWriter(w), Cells::MaybeWhole(v)) => {
            w.write_batch(&v.present, Some(&v.levels), None)
        }
        (ColumnWriter::DoubleColumnWriter(w), Cells::MaybeNumber(v)) => {
            w.write_batch(&v.present, Some(&v.levels), None)
        }
        (ColumnWriter::ByteArrayColumnWriter(w), Cells::Text(v)) => w.write_batch(v, None, None),
        (ColumnWriter::ByteArrayColumnWriter(w), Cells::MaybeText(v)) => {
            w.write_batch(&v.present, Some(&v.levels), None)
        }
        _ => Err(ParquetError::General("a column's cells are not of its declared kind".into())),
    }
    .map(drop)
}

/// No clock and no version of a library goes into the file, so that the same rows give the same bytes.
fn properties(columns: &[Column], about: Vec<KeyValue>) -> WriterProperties {
    let zstd = ZstdLevel::try_new(1).expect("level 1 is one of zstd's levels");
    let mut properties = WriterProperties::builder()
        .set_created_by(format!("holdgate record {}", crate::RECORD_VERSION))
        .set_compression(Compression::ZSTD(zstd))
        .set_data_page_row_count_limit(PAGE_ROWS)
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
    /// Keeps what is written, once it is there.
    tail: Option<Vec<u8>>,
}

impl Write for Digesting {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        let n = self.file.write(bytes)?;
        self.digest.update(&bytes[..n]);
        self.bytes += n as u64;
        if let Some(tail) = &mut self.tail {
            tail.extend_from_slice(&bytes[..n]);
        }
        Ok(n)
    }

    fn flush(&mut self) -> io::Result<()> {
        self.file.flush()
    }
}
