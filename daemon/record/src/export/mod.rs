//! A session, or a part of it, for programs that want a table of their own shape: one row a moment on a grid with a
//! column a channel, or the rows as they were recorded.
//!
//! Everything streams in the order of time: memory holds what lies between two readings of a channel, never the
//! session.

mod as_csv;
mod as_parquet;
mod columns;
mod digits;
mod fill;
mod grid;
mod options;
mod range;
mod times;
mod wide;

use std::collections::BTreeMap;
use std::io::Write;

use model::{ChannelId, Moment, Problem};

use self::columns::Columns;
use self::grid::Grid;
use self::times::Times;
use crate::notes::Notes;
use crate::read::Session;
use crate::row::Row;

pub use options::{CsvForm, Digits, Every, ExportOptions, Fill, Form, Shape, TimeColumn, When};

/// Readings as they are exported. Checked against the session that it was planned for, and good for that alone.
#[derive(Debug)]
pub struct Export<'s> {
    session: &'s Session,
    columns: Columns,
    times: Times,
    time: TimeColumn,
    ranges: Vec<(Moment, Moment)>,
    shape: Planned,
    about: Vec<(String, String)>,
}

/// The shape, with its grid.
#[derive(Debug)]
enum Planned {
    Long,
    Wide { grid: Grid, fill: Fill, max_age: model::Span },
}

/// What was exported.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Exported {
    /// Rows, without the header.
    pub rows: u64,
    /// Readings and gaps of channels that the session's description does not name, which have no column; none in
    /// the long shape, which holds them all.
    pub unnamed: BTreeMap<ChannelId, u64>,
}

/// Where rows go.
trait Sink {
    /// A row of the wide shape.
    fn wide(&mut self, at: Moment, cells: &[Option<f64>]) -> Result<(), Problem>;
    /// A row of the long shape.
    fn long(&mut self, row: &Row) -> Result<(), Problem>;
    /// The end. Everything is handed over on return, but not synced.
    fn end(self: Box<Self>) -> Result<(), Problem>;
}

impl<'s> Export<'s> {
    /// Checks what is wanted against a session and its notes; every mistake at once.
    pub fn plan(session: &'s Session, notes: &Notes, options: &ExportOptions) -> Result<Self, Vec<Problem>> {
        let mut problems = Vec::new();
        let columns = Columns::plan(session, options, &mut problems);
        let times = Times::of(session, notes);
        let ranges = range::plan(session, &times, options, &mut problems);
        let shape = match &options.shape {
            Shape::Long => Planned::Long,
            Shape::Wide { every, fill, max_age } => {
                let grid = Grid::plan(session, every, *fill, *max_age, &ranges, &mut problems);
                Planned::Wide { grid, fill: *fill, max_age: *max_age }
            }
        };
        if !problems.is_empty() {
            return Err(problems);
        }
        let head = session.head();
        let about = [
            ("holdgate.session", head.session.to_string()),
            ("holdgate.car", head.car.clone()),
            ("holdgate.export", options.shape.words()),
        ];
        let about = about.map(|(key, value)| (key.to_owned(), value)).into();
        Ok(Self { session, columns, times, time: options.time, ranges, shape, about })
    }

    /// Writes it. Where this fails, what was written so far is of no use.
    pub fn write(&self, form: &Form, out: Box<dyn Write + Send>) -> Result<Exported, Problem> {
        let mut sink: Box<dyn Sink + '_> = match form {
            Form::Csv(form) => Box::new(as_csv::CsvSink::begin(self, form, out)?),
            Form::Parquet => Box::new(as_parquet::ParquetSink::begin(self, out)?),
        };
        let exported = match &self.shape {
            Planned::Long => self.long(&mut *sink),
            Planned::Wide { grid, fill, max_age } => wide::write(self, grid, *fill, *max_age, &mut *sink),
        }?;
        sink.end()?;
        Ok(exported)
    }

    fn long(&self, sink: &mut dyn Sink) -> Result<Exported, Problem> {
        let end = self.ranges.last().map_or(Moment::ZERO, |range| range.1);
        let mut rows = 0;
        for row in self.session.rows()? {
            let row = row?;
            let at = row.at();
            if at > end {
                break;
            }
            let within = self.ranges.iter().any(|(from, to)| (*from..=*to).contains(&at));
            if within && self.columns.wants(row.channel()) {
                sink.long(&row)?;
                rows += 1;
            }
        }
        Ok(Exported { rows, unnamed: BTreeMap::new() })
    }

    fn is_long(&self) -> bool {
        matches!(self.shape, Planned::Long)
    }
}

#[cfg(test)]
mod tests;
