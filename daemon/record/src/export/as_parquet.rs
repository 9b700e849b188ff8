//! Parquet with a column a channel, named by its id; units stand in the metadata of the file and of the columns.

use std::io::Write;
use std::sync::Arc;

use arrow::array::{ArrayRef, Float64Array, Int64Array, RecordBatch, StringArray, TimestampNanosecondArray};
use arrow::datatypes::{DataType, Field, Schema, TimeUnit};
use model::{Moment, Problem};
use parquet::arrow::ArrowWriter;
use parquet::basic::{Compression, ZstdLevel};
use parquet::file::metadata::KeyValue;
use parquet::file::properties::WriterProperties;

use super::as_csv::{cannot_write, word};
use super::columns::Column;
use super::options::TimeColumn;
use super::{Export, Sink};
use crate::problem::argument;
use crate::row::Row;

/// Rows handed on at once.
const BATCH_ROWS: usize = 8 << 10;
/// Rows of a row group: what is held in memory, encoded.
const GROUP_ROWS: usize = 64 << 10;

/// Writes Parquet.
pub(super) struct ParquetSink<'e> {
    export: &'e Export<'e>,
    writer: ArrowWriter<Box<dyn Write + Send>>,
    schema: Arc<Schema>,
    at: Vec<Moment>,
    wide: Vec<Vec<Option<f64>>>,
    long: Vec<Row>,
}

impl<'e> ParquetSink<'e> {
    pub(super) fn begin(export: &'e Export<'e>, out: Box<dyn Write + Send>) -> Result<Self, Problem> {
        let columns = &export.columns.list;
        let units: std::collections::BTreeMap<&str, &str> =
            columns.iter().map(|column| (column.id.as_str(), column.unit.code())).collect();
        let units = serde_json::to_string(&units).expect("a map of texts is JSON");
        let about = export.about.iter().cloned().chain([("holdgate.units".to_owned(), units)]);
        let about = about.map(|(key, value)| KeyValue::new(key, value)).collect();
        let level = ZstdLevel::try_new(1).expect("the level is one of the library's");
        let properties = WriterProperties::builder()
            .set_compression(Compression::ZSTD(level))
            .set_max_row_group_row_count(Some(GROUP_ROWS))
            .set_created_by(format!("holdgate {}", env!("CARGO_PKG_VERSION")))
            .set_key_value_metadata(Some(about))
            .build();
        let mut fields = vec![match export.time {
            TimeColumn::Seconds => Field::new("time_s", DataType::Float64, false),
            TimeColumn::Utc => {
                Field::new("utc", DataType::Timestamp(TimeUnit::Nanosecond, Some("UTC".into())), false)
            }
        }];
        if export.is_long() {
            fields.extend(long_fields());
        } else {
            fields.extend(columns.iter().map(field));
        }
        if let Some(taken) = fields.iter().skip(1).find(|field| field.name() == fields[0].name()) {
            let seen = format!("the channel '{}' has the name of the time's column", taken.name());
            return Err(argument("--channels", seen, "tell the time otherwise with --time, or write CSV"));
        }
        let schema = Arc::new(Schema::new(fields));
        let writer = ArrowWriter::try_new(out, schema.clone(), Some(properties))
            .map_err(|e| cannot_write(&e.to_string()))?;
        let wide = vec![Vec::new(); columns.len()];
        Ok(Self { export, writer, schema, at: Vec::new(), wide, long: Vec::new() })
    }

    fn times(&self) -> ArrayRef {
        let times = &self.export.times;
        match self.export.time {
            TimeColumn::Seconds => {
                let seconds = self.at.iter().map(|at| times.since_first(*at) as f64 / 1e9);
                Arc::new(Float64Array::from_iter_values(seconds))
            }
            TimeColumn::Utc => {
                let utc = self.at.iter().map(|at| times.utc(*at));
                Arc::new(TimestampNanosecondArray::from_iter_values(utc).with_timezone("UTC"))
            }
        }
    }

    fn write_batch(&mut self) -> Result<(), Problem> {
        if self.at.is_empty() {
            return Ok(());
        }
        let mut arrays = vec![self.times()];
        if self.export.is_long() {
            arrays.extend(self.long_arrays());
        } else {
            let wide = self.wide.iter_mut().map(std::mem::take);
            arrays.extend(wide.map(|cells| -> ArrayRef { Arc::new(Float64Array::from(cells)) }));
        }
        self.at.clear();
        self.long.clear();
        RecordBatch::try_new(self.schema.clone(), arrays)
            .map_err(|e| e.to_string())
            .and_then(|batch| self.writer.write(&batch).map_err(|e| e.to_string()))
            .map_err(|why| cannot_write(&why))
    }

    fn long_arrays(&self) -> Vec<ArrayRef> {
        let columns = &self.export.columns;
        let samples = || {
            self.long.iter().map(|row| match row {
                Row::Sample(sample) => Some((sample, columns.of(&sample.channel))),
                Row::Gap(_) => None,
            })
        };
        let width = |of: fn(&model::Uncertainty) -> f64| -> ArrayRef {
            let each = samples().map(|sample| {
                let (sample, column) = sample?;
                let recorded = of(&sample.uncertainty);
                Some(column.map_or(recorded, |column| column.width(recorded)))
            });
            Arc::new(Float64Array::from_iter(each))
        };
        let value = samples().map(|sample| {
            let (sample, column) = sample?;
            Some(column.map_or(sample.value, |column| column.value(sample.value)))
        });
        let unit = self.long.iter().map(|row| columns.of(row.channel()).map(|column| column.unit.code()));
        vec![
            Arc::new(Float64Array::from_iter_values(self.long.iter().map(|row| row.half().as_secs_f64()))),
            Arc::new(StringArray::from_iter_values(self.long.iter().map(|row| row.channel().as_str()))),
            Arc::new(StringArray::from_iter(unit)),
            Arc::new(Int64Array::from_iter(samples().map(|sample| sample.map(|(sample, _)| sample.raw)))),
            Arc::new(Float64Array::from_iter(value)),
            width(|u| u.noise),
            width(|u| u.resolution),
            width(|u| u.shared),
            Arc::new(StringArray::from_iter_values(self.long.iter().map(word))),
        ]
    }
}

fn field(column: &Column) -> Field {
    let unit = std::collections::BTreeMap::from([("unit".to_owned(), column.unit.to_string())]);
    Field::new(column.id.as_str(), DataType::Float64, true).with_metadata(unit)
}

fn long_fields() -> Vec<Field> {
    let field = |name: &str, kind: DataType, may_be_none: bool| Field::new(name, kind, may_be_none);
    vec![
        field("time_uncertainty_s", DataType::Float64, false),
        field("channel", DataType::Utf8, false),
        field("unit", DataType::Utf8, true),
        field("raw", DataType::Int64, true),
        field("value", DataType::Float64, true),
        field("noise", DataType::Float64, true),
        field("resolution", DataType::Float64, true),
        field("shared", DataType::Float64, true),
        field("quality", DataType::Utf8, false),
    ]
}

impl Sink for ParquetSink<'_> {
    fn wide(&mut self, at: Moment, cells: &[Option<f64>]) -> Result<(), Problem> {
        self.at.push(at);
        self.wide.iter_mut().zip(cells).for_each(|(column, cell)| column.push(*cell));
        if self.at.len() >= BATCH_ROWS { self.write_batch() } else { Ok(()) }
    }

    fn long(&mut self, row: &Row) -> Result<(), Problem> {
        self.at.push(row.at());
        self.long.push(row.clone());
        if self.at.len() >= BATCH_ROWS { self.write_batch() } else { Ok(()) }
    }

    fn end(mut self: Box<Self>) -> Result<(), Problem> {
        self.write_batch()?;
        let written = self.writer.into_inner().map_err(|e| e.to_string());
        written.and_then(|mut out| out.flush().map_err(|e| e.to_string())).map_err(|why| cannot_write(&why))
    }
}
