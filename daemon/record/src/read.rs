//! Reading a closed session back.

use std::fs::File;
use std::path::{Path, PathBuf};

use arrow::array::{Array, AsArray, Float64Array, RecordBatch};
use arrow::datatypes::{Float64Type, Int32Type, Int64Type};
use model::{ChannelId, EventEnvelope, Gap, Moment, Problem, Sample, Span, Uncertainty};
use parquet::arrow::arrow_reader::{ParquetRecordBatchReader, ParquetRecordBatchReaderBuilder};

use crate::card::SessionCard;
use crate::close::check_digest;
use crate::head::{ChannelHead, SessionHead};
use crate::layout::{CARD, EVENTS, SAMPLES};
use crate::problem::{damaged, on_disk};
use crate::row::Row;
use crate::tables::{quality_of, reason_of};

const BATCH_ROWS: usize = 8 << 10;

/// A closed session. Its samples stay on disk and are read as they are asked for.
#[derive(Debug, Clone)]
pub struct Session {
    /// Its folder.
    pub path: PathBuf,
    /// What it is.
    pub card: SessionCard,
    /// Its events, in their order.
    pub events: Vec<EventEnvelope>,
}

impl Session {
    /// What the session said of itself at its start.
    pub fn head(&self) -> &SessionHead {
        &self.card.head
    }

    /// A channel as its description had it.
    pub fn channel(&self, id: &ChannelId) -> Option<&ChannelHead> {
        self.card.head.channels.iter().find(|c| c.id == *id)
    }

    /// Readings and gaps in the order of time. An item is a problem when the file was damaged after the
    /// digest was checked; nothing follows it.
    pub fn rows(&self) -> Result<Rows, Problem> {
        let path = self.path.join(SAMPLES);
        let batches = open_table(&path)?;
        Ok(Rows { path, batches, ready: Vec::new().into_iter(), over: false })
    }

    /// The readings alone, as [`Session::rows`] gives them.
    pub fn samples(&self) -> Result<Samples, Problem> {
        self.rows().map(Samples)
    }
}

/// Reads a closed session and refuses it when a digest, a checksum or a count does not match.
pub fn read_session(path: &Path) -> Result<Session, Problem> {
    let card_path = path.join(CARD);
    let text = std::fs::read(&card_path)
        .map_err(|e| on_disk(&card_path, "reading the session's description", &e))?;
    let card = SessionCard::from_bytes(&text, &card_path)?;
    for name in [SAMPLES, EVENTS] {
        let file_path = path.join(name);
        let Some(file) = card.files.iter().find(|f| f.name == name) else {
            return Err(damaged(
                &file_path,
                "the session's description does not name it",
                "restore it from a copy",
            ));
        };
        let mut source = File::open(&file_path).map_err(|e| on_disk(&file_path, "opening the table", &e))?;
        check_digest(&mut source, &file_path, &file.sha256)?;
    }
    let mut session = Session { path: path.to_path_buf(), card, events: Vec::new() };
    session.events = read_events(&path.join(EVENTS))?;
    if session.events.len() as u64 != session.card.events {
        let seen = format!("it holds {} events, not {}", session.events.len(), session.card.events);
        return Err(damaged(path, seen, "restore the session's folder from a copy"));
    }
    Ok(session)
}

/// The readings of a session, one after the other, with bounded memory.
pub struct Samples(Rows);

impl Iterator for Samples {
    type Item = Result<Sample, Problem>;

    fn next(&mut self) -> Option<Self::Item> {
        self.0.by_ref().find_map(|row| row.map(Row::into_sample).transpose())
    }
}

/// Readings and gaps of a session, one after the other, with bounded memory.
pub struct Rows {
    path: PathBuf,
    batches: ParquetRecordBatchReader,
    ready: std::vec::IntoIter<Row>,
    over: bool,
}

impl Iterator for Rows {
    type Item = Result<Row, Problem>;

    fn next(&mut self) -> Option<Self::Item> {
        loop {
            if let Some(row) = self.ready.next() {
                return Some(Ok(row));
            }
            if self.over {
                return None;
            }
            match self.batches.next() {
                None => self.over = true,
                Some(batch) => match batch.map_err(|e| e.to_string()).and_then(|b| rows_of(&b)) {
                    Ok(rows) => self.ready = rows.into_iter(),
                    Err(why) => {
                        self.over = true;
                        return Some(Err(unreadable(&self.path, &why)));
                    }
                },
            }
        }
    }
}

fn open_table(path: &Path) -> Result<ParquetRecordBatchReader, Problem> {
    let file = File::open(path).map_err(|e| on_disk(path, "opening the table", &e))?;
    ParquetRecordBatchReaderBuilder::try_new(file)
        .and_then(|builder| builder.with_batch_size(BATCH_ROWS).build())
        .map_err(|e| unreadable(path, &e.to_string()))
}

fn unreadable(path: &Path, why: &str) -> Problem {
    damaged(path, format!("it cannot be read: {why}"), "restore the session's folder from a copy")
}

fn read_events(path: &Path) -> Result<Vec<EventEnvelope>, Problem> {
    let mut events = Vec::new();
    for batch in open_table(path)? {
        let batch = batch.map_err(|e| unreadable(path, &e.to_string()))?;
        let column = full(&batch, "json").map_err(|why| unreadable(path, &why))?;
        let texts = column
            .as_string_opt::<i32>()
            .ok_or_else(|| unreadable(path, "column 'json' is not of its kind"))?;
        for text in texts.iter() {
            let event = serde_json::from_str(text.unwrap_or_default());
            events.push(event.map_err(|e| unreadable(path, &format!("an event is not of its form: {e}")))?);
        }
    }
    Ok(events)
}

fn rows_of(batch: &RecordBatch) -> Result<Vec<Row>, String> {
    let [channel, quality] = [names(batch, "channel")?, names(batch, "quality")?];
    let channels = distinct(&channel, |text| ChannelId::new(text).ok())?;
    let qualities = distinct(&quality, |text| {
        quality_of(text).map(Ok).or_else(|| reason_of(text).map(Err::<model::Quality, _>))
    })?;
    let [at, half] = [wholes(batch, "at_ns")?, wholes(batch, "time_uncertainty_ns")?];
    let raw =
        column(batch, "raw")?.as_primitive_opt::<Int64Type>().ok_or("column 'raw' is not of its kind")?;
    let [value, noise] = [numbers(batch, "value")?, numbers(batch, "noise")?];
    let [resolution, shared] = [numbers(batch, "resolution")?, numbers(batch, "shared")?];
    let row = |i: usize| {
        let channel = channels[channel.keys[i] as usize].clone();
        let (at, half) = (Moment(at[i]), Span(half[i]));
        let quality = match qualities[quality.keys[i] as usize] {
            Ok(quality) => quality,
            Err(why) => return Ok(Row::Gap(Gap { channel, at, half, why })),
        };
        let there = [value, noise, resolution, shared].iter().all(|numbers| numbers.is_valid(i));
        if !there || raw.is_null(i) {
            return Err(format!("a reading of '{channel}' lacks a number"));
        }
        let uncertainty =
            Uncertainty { noise: noise.value(i), resolution: resolution.value(i), shared: shared.value(i) };
        let (raw, value) = (raw.value(i), value.value(i));
        Ok(Row::Sample(Sample { channel, at, time_uncertainty: half, raw, value, uncertainty, quality }))
    };
    (0..batch.num_rows()).map(row).collect()
}

fn column<'a>(batch: &'a RecordBatch, name: &str) -> Result<&'a dyn Array, String> {
    batch.column_by_name(name).map(AsRef::as_ref).ok_or_else(|| format!("column '{name}' is missing"))
}

fn full<'a>(batch: &'a RecordBatch, name: &str) -> Result<&'a dyn Array, String> {
    let column = column(batch, name)?;
    if column.null_count() > 0 {
        return Err(format!("column '{name}' has gaps"));
    }
    Ok(column)
}

fn wholes<'a>(batch: &'a RecordBatch, name: &str) -> Result<&'a [i64], String> {
    let array = full(batch, name)?.as_primitive_opt::<Int64Type>();
    array.map(|a| &a.values()[..]).ok_or_else(|| format!("column '{name}' is not of its kind"))
}

fn numbers<'a>(batch: &'a RecordBatch, name: &str) -> Result<&'a Float64Array, String> {
    let array = column(batch, name)?.as_primitive_opt::<Float64Type>();
    array.ok_or_else(|| format!("column '{name}' is not of its kind"))
}

/// A column of texts out of few: a key for each row into the list of texts.
struct Names<'a> {
    keys: &'a [i32],
    texts: &'a arrow::array::StringArray,
}

fn names<'a>(batch: &'a RecordBatch, name: &str) -> Result<Names<'a>, String> {
    let wrong = || format!("column '{name}' is not of its kind");
    let array = full(batch, name)?.as_dictionary_opt::<Int32Type>().ok_or_else(wrong)?;
    let texts = array.values().as_string_opt::<i32>().ok_or_else(wrong)?;
    Ok(Names { keys: array.keys().values(), texts })
}

fn distinct<T>(names: &Names<'_>, of: impl Fn(&str) -> Option<T>) -> Result<Vec<T>, String> {
    let each = |text: Option<&str>| {
        let text = text.unwrap_or_default();
        of(text).ok_or_else(|| format!("'{text}' is not a word it may hold"))
    };
    names.texts.iter().map(each).collect()
}

#[cfg(test)]
mod tests;
