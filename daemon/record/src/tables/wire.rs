//! The table of the wire's trace.

use std::path::Path;

use model::Exchange;
use parquet::data_type::ByteArray;

use super::TableError;
use super::about::TableHead;
use super::columns::WIRE;
use super::constant::Constant;
use super::write::{Cells, GROUP_ROWS, Sparse, TableFile, Written};
use crate::disk::Disk;

/// Writes exchanges in the order given.
pub(crate) struct WireTable {
    file: TableFile,
    session: ByteArray,
    rows: Rows,
}

#[derive(Default)]
struct Rows {
    at: Vec<i64>,
    took: Vec<i64>,
    request: Vec<ByteArray>,
    answer: Vec<ByteArray>,
    fault: Sparse<ByteArray>,
}

impl WireTable {
    pub(crate) fn create(disk: &dyn Disk, path: &Path, about: TableHead<'_>) -> Result<Self, TableError> {
        let file = TableFile::create(disk, path, WIRE, about.key_values("wire"))?;
        Ok(Self { file, session: about.head.session.as_str().into(), rows: Rows::default() })
    }

    pub(crate) fn push(&mut self, exchange: Exchange) -> Result<(), TableError> {
        let rows = &mut self.rows;
        rows.at.push(exchange.at.0);
        rows.took.push(exchange.took.0);
        rows.request.push(exchange.request.into());
        rows.answer.push(exchange.answer.into());
        // Faults are words, which serialise as texts.
        let fault = exchange.fault.and_then(|fault| serde_json::to_value(fault).ok());
        rows.fault.push(fault.and_then(|word| word.as_str().map(ByteArray::from)));
        if rows.at.len() >= GROUP_ROWS {
            self.write_group()?;
        }
        Ok(())
    }

    pub(crate) fn finish(mut self) -> Result<Written, TableError> {
        if !self.rows.at.is_empty() {
            self.write_group()?;
        }
        self.file.finish()
    }

    fn write_group(&mut self) -> Result<(), TableError> {
        let rows = std::mem::take(&mut self.rows);
        self.file.group(&[
            Cells::Same(Constant::Text(self.session.clone()), rows.at.len()),
            Cells::Whole(rows.at),
            Cells::Whole(rows.took),
            Cells::Text(rows.request),
            Cells::Text(rows.answer),
            Cells::MaybeText(rows.fault),
        ])
    }
}
