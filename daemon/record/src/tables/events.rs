//! The table of events.

use std::path::Path;

use model::{Event, EventEnvelope, StepId};
use parquet::data_type::ByteArray;

use super::about::TableHead;
use super::columns::EVENTS;
use super::constant::Constant;
use super::telling::Telling;
use super::write::{Cells, GROUP_ROWS, Sparse, TableFile, Written};
use super::{Anchors, TableError};
use crate::disk::Disk;

/// Bytes of JSON at which a row group is full: events differ in length far more than samples do.
const GROUP_BYTES: usize = 8 << 20;

/// Writes events in the order given.
pub(crate) struct EventTable<'a> {
    file: TableFile,
    session: ByteArray,
    anchors: &'a Anchors,
    step: Option<StepId>,
    rows: Rows,
}

#[derive(Default)]
struct Rows {
    seq: Vec<i64>,
    at: Vec<i64>,
    utc: Vec<i64>,
    kind: Vec<ByteArray>,
    step: Sparse<ByteArray>,
    subject: Sparse<ByteArray>,
    word: Sparse<ByteArray>,
    value: Sparse<f64>,
    unit: Sparse<ByteArray>,
    json: Vec<ByteArray>,
    json_bytes: usize,
}

impl<'a> EventTable<'a> {
    pub(crate) fn create(disk: &dyn Disk, path: &Path, about: TableHead<'a>) -> Result<Self, TableError> {
        let file = TableFile::create(disk, path, EVENTS, about.key_values("events"))?;
        let session = about.head.session.as_str().into();
        Ok(Self { file, session, anchors: about.anchors, step: None, rows: Rows::default() })
    }

    pub(crate) fn push(&mut self, event: &EventEnvelope, json: String) -> Result<(), TableError> {
        let step = match &event.event {
            Event::StepStarted { step, .. } => {
                self.step = Some(step.clone());
                Some(step.clone())
            }
            Event::StepEnded { step, .. } => {
                self.step = None;
                Some(step.clone())
            }
            Event::StepSkipped { step, .. } => Some(step.clone()),
            _ => self.step.clone(),
        };
        let rows = &mut self.rows;
        // Parquet keeps an unsigned number by the bits of a signed one.
        rows.seq.push(event.seq as i64);
        rows.at.push(event.at.0);
        rows.utc.push(self.anchors.utc(event.at));
        rows.kind.push(kind_of(&event.event).as_str().into());
        rows.step.push(step.map(|s| s.as_str().into()));
        let told = Telling::of(&event.event);
        let cell = |text: Option<String>| text.map(|text| ByteArray::from(text.into_bytes()));
        rows.subject.push(cell(told.subject));
        rows.word.push(cell(told.word));
        rows.value.push(told.value);
        rows.unit.push(cell(told.unit));
        rows.json_bytes += json.len();
        rows.json.push(json.into_bytes().into());
        if rows.at.len() >= GROUP_ROWS || rows.json_bytes >= GROUP_BYTES {
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
            Cells::Same(Constant::Text(self.session.clone()), rows.seq.len()),
            Cells::Whole(rows.seq),
            Cells::Whole(rows.at),
            Cells::Whole(rows.utc),
            Cells::Text(rows.kind),
            Cells::MaybeText(rows.step),
            Cells::MaybeText(rows.subject),
            Cells::MaybeText(rows.word),
            Cells::MaybeNumber(rows.value),
            Cells::MaybeText(rows.unit),
            Cells::Text(rows.json),
        ])
    }
}

/// The kind of an event, as its JSON names it.
fn kind_of(event: &Event) -> String {
    match serde_json::to_value(event) {
        Ok(value) => value["kind"].as_str().unwrap_or_default().to_owned(),
        Err(_) => String::new(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_kind_is_named_as_in_json() {
        assert_eq!(kind_of(&Event::Remark { text: "x".into() }), "remark");
        assert_eq!(kind_of(&Event::CodesRead { codes: Vec::new() }), "codes_read");
    }
}
