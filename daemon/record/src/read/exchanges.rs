//! The trace of the wire, where one was recorded.

use std::path::{Path, PathBuf};

use arrow::array::{AsArray, BinaryArray, RecordBatch};
use arrow::datatypes::Int32Type;
use model::event::WireFault;
use model::{Exchange, Moment, Problem, Span};
use parquet::arrow::arrow_reader::ParquetRecordBatchReader;

use super::table::{Table, column, full, of_another_kind, unreadable, wholes};

/// Exchanges in the order recorded, one after the other, with bounded memory.
pub struct Exchanges {
    path: PathBuf,
    batches: ParquetRecordBatchReader,
    ready: std::vec::IntoIter<Exchange>,
    over: bool,
}

impl Exchanges {
    pub(super) fn open(path: &Path) -> Result<Self, Problem> {
        let batches = Table::open(path)?.all().map_err(|why| unreadable(path, &why))?;
        Ok(Self { path: path.to_path_buf(), batches, ready: Vec::new().into_iter(), over: false })
    }

    fn try_next(&mut self) -> Result<Option<Exchange>, String> {
        loop {
            if let Some(exchange) = self.ready.next() {
                return Ok(Some(exchange));
            }
            match self.batches.next() {
                None => return Ok(None),
                Some(batch) => self.ready = exchanges_of(&batch.map_err(|e| e.to_string())?)?.into_iter(),
            }
        }
    }
}

impl Iterator for Exchanges {
    type Item = Result<Exchange, Problem>;

    fn next(&mut self) -> Option<Self::Item> {
        if self.over {
            return None;
        }
        let next = self.try_next().transpose();
        self.over = !matches!(next, Some(Ok(_)));
        next.map(|exchange| exchange.map_err(|why| unreadable(&self.path, &why)))
    }
}

fn exchanges_of(batch: &RecordBatch) -> Result<Vec<Exchange>, String> {
    let [at, took] = [wholes(batch, "at_ns")?, wholes(batch, "took_ns")?];
    let [request, answer] = [bytes(batch, "request")?, bytes(batch, "answer")?];
    let faults = column(batch, "fault")?;
    let faults = faults.as_dictionary_opt::<Int32Type>().ok_or_else(|| of_another_kind("fault"))?;
    let faults = faults.downcast_dict::<arrow::array::StringArray>();
    let faults = faults.ok_or_else(|| of_another_kind("fault"))?;
    let fault = |word: &str| -> Result<WireFault, String> {
        serde_json::from_value(word.into()).map_err(|_| format!("'{word}' is not a fault of a wire"))
    };
    let mut exchanges = Vec::new();
    for (i, word) in faults.into_iter().enumerate() {
        exchanges.push(Exchange {
            at: Moment(at[i]),
            took: Span(took[i]),
            request: request.value(i).to_vec(),
            answer: answer.value(i).to_vec(),
            fault: word.map(fault).transpose()?,
        });
    }
    Ok(exchanges)
}

fn bytes<'a>(batch: &'a RecordBatch, name: &str) -> Result<&'a BinaryArray, String> {
    full(batch, name)?.as_binary_opt::<i32>().ok_or_else(|| of_another_kind(name))
}
