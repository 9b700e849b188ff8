//! The wide shape: rows of the session in, rows of the grid out.

use model::{Moment, Problem, Span};

use super::fill::{Filler, LastValue, Linear, Nearest};
use super::grid::{Grid, Points};
use super::options::Fill;
use super::{Export, Exported, Sink};
use crate::row::Row;

/// Writes every row of the grid.
pub(super) fn write(
    export: &Export<'_>,
    grid: &Grid,
    fill: Fill,
    max_age: Span,
    sink: &mut dyn Sink,
) -> Result<Exported, Problem> {
    let columns = &export.columns;
    let width = columns.list.len();
    let mut filler: Box<dyn Filler> = match fill {
        Fill::Last => Box::new(LastValue::new(width, max_age)),
        Fill::Linear => Box::new(Linear::new(width, max_age)),
        Fill::None => Box::new(Nearest::new(width, max_age, grid.step())),
    };
    let mut points = Points::new(grid, &export.ranges);
    let mut exported = Exported::default();
    for row in export.session.rows()? {
        let row = row?;
        let at = row.at();
        while let Some(point) = points.due(at) {
            filler.point(point);
            drain(&mut *filler, at, sink, &mut exported.rows)?;
        }
        // Readings behind the last row are read on for as long as that row may need them.
        if points.over(at) && filler.is_done(at) {
            break;
        }
        if matches!(row, Row::Sample(_)) && points.made_by(row.channel(), at) {
            filler.point(at);
        }
        drain(&mut *filler, at, sink, &mut exported.rows)?;
        match columns.at(row.channel()) {
            Some(column) => {
                let value = match &row {
                    Row::Sample(sample) => columns.list[column].usable(sample),
                    Row::Gap(_) => None,
                };
                filler.reading(column, at, value);
            }
            None if columns.wants(row.channel()) => {
                *exported.unnamed.entry(row.channel().clone()).or_default() += 1;
            }
            None => {}
        }
    }
    while let Some(point) = points.due(Moment::NEVER) {
        filler.point(point);
        drain(&mut *filler, point, sink, &mut exported.rows)?;
    }
    filler.end();
    drain(&mut *filler, Moment::NEVER, sink, &mut exported.rows)?;
    Ok(exported)
}

fn drain(
    filler: &mut dyn Filler,
    read_to: Moment,
    sink: &mut dyn Sink,
    rows: &mut u64,
) -> Result<(), Problem> {
    while let Some(pending) = filler.ready(read_to) {
        sink.wide(pending.at, &pending.cells)?;
        *rows += 1;
    }
    Ok(())
}
