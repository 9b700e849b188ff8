//! Comma-separated values (RFC 4180): a header, lines that end with CR LF, quotes only where they are needed.

use std::io::Write;

use model::{Moment, Problem, ProblemKind};

use super::digits::{number, places, places_of, seconds};
use super::options::{CsvForm, TimeColumn};
use super::{Export, Planned, Sink};
use crate::row::Row;
use crate::tables::{quality_word, reason_word};

/// Decimal places of a second, where no grid asks for others: finer than any reading is timed.
const TIME_PLACES: usize = 6;

/// Columns of the long shape beside the time.
const LONG: [&str; 9] =
    ["time_uncertainty [s]", "channel", "unit", "raw", "value", "noise", "resolution", "shared", "quality"];

/// Writes CSV.
pub(super) struct CsvSink<'e> {
    export: &'e Export<'e>,
    form: CsvForm,
    writer: csv::Writer<Box<dyn Write + Send>>,
    /// Decimal places of each column.
    places: Vec<Option<usize>>,
    time_places: usize,
    record: csv::StringRecord,
}

impl<'e> CsvSink<'e> {
    pub(super) fn begin(
        export: &'e Export<'e>,
        form: &CsvForm,
        out: Box<dyn Write + Send>,
    ) -> Result<Self, Problem> {
        let writer = csv::WriterBuilder::new()
            .delimiter(form.separator)
            .terminator(csv::Terminator::CRLF)
            .from_writer(out);
        let columns = &export.columns.list;
        let places = columns.iter().map(|column| places(form.digits, column.resolution)).collect();
        let time_places = time_places(export);
        let record = csv::StringRecord::new();
        let mut sink = Self { export, form: *form, writer, places, time_places, record };
        let time = match export.time {
            TimeColumn::Seconds => "time [s]",
            TimeColumn::Utc => "utc",
        };
        sink.record.push_field(time);
        if export.is_long() {
            LONG.iter().for_each(|name| sink.record.push_field(name));
        } else {
            columns.iter().for_each(|column| sink.record.push_field(&column.title()));
        }
        sink.put()?;
        Ok(sink)
    }

    fn time(&self, at: Moment) -> String {
        let times = &self.export.times;
        match self.export.time {
            TimeColumn::Seconds => seconds(times.since_first(at), self.time_places, self.form.decimal_comma),
            TimeColumn::Utc => times.utc_words(at),
        }
    }

    fn put(&mut self) -> Result<(), Problem> {
        self.writer.write_record(&self.record).map_err(|e| cannot_write(&e.to_string()))?;
        self.record.clear();
        Ok(())
    }
}

impl Sink for CsvSink<'_> {
    fn wide(&mut self, at: Moment, cells: &[Option<f64>]) -> Result<(), Problem> {
        self.record.push_field(&self.time(at));
        for (cell, places) in cells.iter().zip(&self.places) {
            let text = cell.map(|value| number(value, *places, self.form.decimal_comma));
            self.record.push_field(&text.unwrap_or_default());
        }
        self.put()
    }

    fn long(&mut self, row: &Row) -> Result<(), Problem> {
        let comma = self.form.decimal_comma;
        let column = self.export.columns.of(row.channel());
        let half = seconds(row.half().0, TIME_PLACES, comma);
        let fields = [
            self.time(row.at()),
            half,
            row.channel().to_string(),
            column.map(|column| column.unit.to_string()).unwrap_or_default(),
        ];
        fields.iter().for_each(|field| self.record.push_field(field));
        match row {
            Row::Gap(_) => (0..5).for_each(|_| self.record.push_field("")),
            Row::Sample(sample) => {
                let at = self.export.columns.at(row.channel());
                let digits = match at {
                    Some(at) => self.places[at],
                    None => places(self.form.digits, sample.uncertainty.resolution),
                };
                let u = &sample.uncertainty;
                let value = column.map_or(sample.value, |column| column.value(sample.value));
                let width = |recorded| column.map_or(recorded, |column| column.width(recorded));
                self.record.push_field(&sample.raw.to_string());
                self.record.push_field(&number(value, digits, comma));
                for recorded in [u.noise, u.resolution, u.shared] {
                    self.record.push_field(&number(width(recorded), None, comma));
                }
            }
        }
        self.record.push_field(word(row));
        self.put()
    }

    fn end(mut self: Box<Self>) -> Result<(), Problem> {
        self.writer.flush().map_err(|e| cannot_write(&e.to_string()))
    }
}

/// As many as tell one row of the grid from the next, exactly.
fn time_places(export: &Export<'_>) -> usize {
    let Planned::Wide { grid, .. } = &export.shape else { return TIME_PLACES };
    let Some(step) = grid.step() else { return TIME_PLACES };
    let starts = export.ranges.iter().map(|(from, _)| export.times.since_first(*from));
    starts.chain([step.0]).map(places_of).max().unwrap_or(TIME_PLACES)
}

pub(super) fn cannot_write(why: &str) -> Problem {
    let cure = "check the disk and its free room, or choose another file";
    Problem::new(
        ProblemKind::Record,
        model::Place::Argument { name: "--output".into() },
        format!("it cannot be written: {why}"),
        cure,
    )
}

/// What kind of row it is, as the recorded tables have it: the quality of a reading, or the reason of a gap.
pub(super) fn word(row: &Row) -> &'static str {
    match row {
        Row::Sample(sample) => quality_word(sample.quality),
        Row::Gap(gap) => reason_word(gap.why),
    }
}
