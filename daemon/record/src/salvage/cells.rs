//! The cells of one column chunk, page by page.

use std::sync::Arc;

use bytes::Bytes;
use parquet::column::reader::{get_column_reader, get_typed_column_reader};
use parquet::data_type::DataType;
use parquet::errors::ParquetError;
use parquet::file::metadata::ColumnChunkMetaData;
use parquet::file::serialized_reader::SerializedPageReader;

use super::source::Source;

/// What is known of a cell.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) enum Cell<T> {
    /// It stood in a damaged page.
    Lost,
    /// It is empty, and was.
    Empty,
    /// It holds this.
    Is(T),
}

impl<T: Clone> Cell<T> {
    pub(super) fn value(&self) -> Option<T> {
        match self {
            Self::Is(value) => Some(value.clone()),
            Self::Lost | Self::Empty => None,
        }
    }

    pub(super) fn is_lost(&self) -> bool {
        matches!(self, Self::Lost)
    }
}

/// The rows of a damaged page within its group.
pub(super) type LostRows = std::ops::Range<usize>;

/// Reads a column of a row group; says which rows stood in damaged pages.
pub(super) fn read<T: DataType>(
    source: &Source,
    group: usize,
    name: &str,
) -> (Vec<Cell<T::T>>, Vec<LostRows>) {
    let about = source.metadata.row_group(group);
    let rows = usize::try_from(about.num_rows()).unwrap_or(0);
    let mut cells = vec![Cell::Lost; rows];
    let all = std::iter::once(0..rows).collect();
    let Some(column) = about.columns().iter().position(|c| c.column_path().string() == name) else {
        return (cells, all);
    };
    let chunk = about.column(column);
    let index = source.metadata.page_index().and_then(|index| index.offset_index(group, column).cloned());
    let pages = index.map(|index| index.page_locations).unwrap_or_default();
    let mut lost = Vec::new();
    let Some(first) = pages.first() else { return (cells, all) };
    let dictionary = chunk.dictionary_page_offset().map(|at| at as u64..first.offset as u64);
    if dictionary.as_ref().is_some_and(|place| !source.is_whole(place)) {
        return (cells, all);
    }
    let dictionary = dictionary.map(|place| &source.bytes[place.start as usize..place.end as usize]);
    for (i, page) in pages.iter().enumerate() {
        let from = page.first_row_index as usize;
        let to = pages.get(i + 1).map_or(rows, |next| next.first_row_index as usize);
        let place = page.offset as u64..page.offset as u64 + page.compressed_page_size as u64;
        let read = source.is_whole(&place).then(|| {
            let body = &source.bytes[place.start as usize..place.end as usize];
            read_page::<T>(chunk, dictionary.unwrap_or_default(), body, to - from)
        });
        match read {
            Some(Ok(page)) => cells[from..to].clone_from_slice(&page),
            Some(Err(_)) | None => lost.push(from..to),
        }
    }
    (cells, lost)
}

/// Reads one page as if it, with the dictionary before it, were the whole chunk.
fn read_page<T: DataType>(
    chunk: &ColumnChunkMetaData,
    dictionary: &[u8],
    page: &[u8],
    rows: usize,
) -> Result<Vec<Cell<T::T>>, ParquetError> {
    let bytes = Bytes::from([dictionary, page].concat());
    let length = bytes.len() as i64;
    let alone = ColumnChunkMetaData::builder(chunk.column_descr_ptr())
        .set_compression_codec(chunk.compression_codec())
        .set_num_values(rows as i64)
        .set_total_compressed_size(length)
        .set_total_uncompressed_size(length)
        .set_dictionary_page_offset((!dictionary.is_empty()).then_some(0))
        .set_data_page_offset(dictionary.len() as i64)
        .build()?;
    let pages = SerializedPageReader::new(Arc::new(bytes), &alone, rows, None)?;
    let reader = get_column_reader(chunk.column_descr_ptr(), Box::new(pages));
    let mut reader = get_typed_column_reader::<T>(reader);
    let optional = chunk.column_descr().max_def_level() > 0;
    let (mut levels, mut values) = (Vec::new(), Vec::new());
    let (records, _, _) = reader.read_records(rows, optional.then_some(&mut levels), None, &mut values)?;
    if records != rows {
        return Err(ParquetError::General("a page holds fewer rows than it should".into()));
    }
    if !optional {
        return Ok(values.into_iter().map(Cell::Is).collect());
    }
    let mut values = values.into_iter();
    let cell = |level: i16| if level == 0 { Some(Cell::Empty) } else { values.next().map(Cell::Is) };
    let cells: Option<Vec<Cell<T::T>>> = levels.into_iter().map(cell).collect();
    cells.ok_or_else(|| ParquetError::General("a page holds fewer values than it should".into()))
}
