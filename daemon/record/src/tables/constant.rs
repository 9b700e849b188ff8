//! A column chunk in which every row is the same.
//!
//! Most columns of a channel's group are: its name, its unit, its uncertainties. Their pages can be written as
//! they are, without giving the library the same value a hundred thousand times: a dictionary of one value
//! and one run (Apache Parquet format, "Encodings", RLE_DICTIONARY and RLE, from memory). They are not
//! compressed, because there is nothing left to compress.

use parquet::basic::{Compression, Encoding};
use parquet::column::page::{CompressedPage, Page, PageWriter};
use parquet::column::writer::ColumnCloseResult;
use parquet::data_type::ByteArray;
use parquet::errors::{ParquetError, Result};
use parquet::file::metadata::{ColumnChunkMetaData, OffsetIndexBuilder};
use parquet::file::statistics::Statistics;
use parquet::schema::types::ColumnDescPtr;

use super::pages::CheckedPages;

/// What every row holds.
#[derive(Debug, Clone, PartialEq)]
pub(super) enum Constant {
    Text(ByteArray),
    Number(f64),
    Nothing,
}

impl Constant {
    /// The value as a dictionary page holds it.
    fn plain(&self) -> Vec<u8> {
        match self {
            Self::Text(text) => {
                let mut bytes = (text.len() as u32).to_le_bytes().to_vec();
                bytes.extend_from_slice(text.data());
                bytes
            }
            Self::Number(number) => number.to_le_bytes().to_vec(),
            Self::Nothing => Vec::new(),
        }
    }

    fn statistics(&self, rows: u64) -> Statistics {
        let one = |text: &ByteArray| Some(text.clone());
        match self {
            Self::Text(text) => Statistics::byte_array(one(text), one(text), None, Some(0), false),
            // What is not a number has no place in an order.
            Self::Number(n) if n.is_nan() => Statistics::double(None, None, None, Some(0), false),
            Self::Number(n) => Statistics::double(Some(*n), Some(*n), None, Some(0), false),
            Self::Nothing => Statistics::byte_array(None, None, None, Some(rows), false),
        }
    }
}

/// Writes a chunk of `rows` equal rows.
pub(super) fn write(
    pages: &mut CheckedPages<'_>,
    column: &ColumnDescPtr,
    constant: &Constant,
    rows: u32,
) -> Result<ColumnCloseResult> {
    let there = *constant != Constant::Nothing;
    let optional = column.max_def_level() > 0;
    if !there && !optional {
        return Err(ParquetError::General(format!("column '{}' must have a value", column.name())));
    }
    let mut specs = Vec::new();
    let mut put = |page: Page, length: usize| -> Result<u64> {
        let spec = pages.write_page(CompressedPage::new(page, length))?;
        let offset = spec.offset;
        specs.push(spec);
        Ok(offset)
    };
    let mut dictionary = None;
    if there {
        let plain = constant.plain();
        let length = plain.len();
        let page = Page::DictionaryPage {
            buf: plain.into(),
            num_values: 1,
            encoding: Encoding::PLAIN,
            is_sorted: false,
        };
        dictionary = Some(put(page, length)? as i64);
    }
    let body = body(rows, optional, there);
    let length = body.len();
    let page = Page::DataPage {
        buf: body.into(),
        num_values: rows,
        encoding: if there { Encoding::RLE_DICTIONARY } else { Encoding::PLAIN },
        def_level_encoding: Encoding::RLE,
        rep_level_encoding: Encoding::RLE,
        statistics: None,
    };
    let data = put(page, length)? as i64;

    let sum = |of: fn(&parquet::column::page::PageWriteSpec) -> usize| specs.iter().map(of).sum::<usize>();
    let (compressed, plain) = (sum(|s| s.compressed_size), sum(|s| s.uncompressed_size));
    let encodings = if there {
        vec![Encoding::PLAIN, Encoding::RLE, Encoding::RLE_DICTIONARY]
    } else {
        vec![Encoding::PLAIN, Encoding::RLE]
    };
    let metadata = ColumnChunkMetaData::builder(column.clone())
        .set_compression(Compression::UNCOMPRESSED)
        .set_encodings(encodings)
        .set_num_values(rows.into())
        .set_total_compressed_size(compressed as i64)
        .set_total_uncompressed_size(plain as i64)
        .set_dictionary_page_offset(dictionary)
        .set_data_page_offset(data);
    let statistics = constant.statistics(rows.into());
    let of_its_kind = statistics.physical_type() == column.physical_type();
    let metadata = if of_its_kind { metadata.set_statistics(statistics) } else { metadata }.build()?;
    let mut offsets = OffsetIndexBuilder::new();
    offsets.append_row_count(rows.into());
    let last = specs.last().map_or(0, |spec| spec.compressed_size);
    offsets.append_offset_and_size(data, last as i32);
    Ok(ColumnCloseResult {
        bytes_written: compressed as u64,
        rows_written: rows.into(),
        metadata,
        bloom_filter: None,
        column_index: None,
        offset_index: Some(offsets.build()),
    })
}

/// A data page of one run: the definition levels where a row may be empty, then the keys, which are all zero
/// and so need no bits.
fn body(rows: u32, optional: bool, there: bool) -> Vec<u8> {
    let mut run = Vec::new();
    let mut length = u64::from(rows) << 1;
    while length >= 0x80 {
        run.push(length as u8 | 0x80);
        length >>= 7;
    }
    run.push(length as u8);
    let mut body = Vec::new();
    if optional {
        body.extend_from_slice(&(run.len() as u32 + 1).to_le_bytes());
        body.extend_from_slice(&run);
        body.push(u8::from(there));
    }
    if there {
        body.push(0);
        body.extend_from_slice(&run);
    }
    body
}
