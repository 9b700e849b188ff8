//! Exchanges out of a damaged trace of the wire: one of which anything but the session's id is lost, is lost.

use model::event::WireFault;
use model::{Exchange, Moment, Problem, Span};
use parquet::data_type::{ByteArray, ByteArrayType, Int64Type};

use super::cells::{Cell, read as read_cells};
use super::source::{Opened, Source};
use super::{Damage, Wreck};
use crate::layout::WIRE;

/// Reads the table, where the session has one.
pub(super) fn read(
    wreck: &Wreck,
    mut each: impl FnMut(Exchange) -> Result<(), Problem>,
) -> Result<Vec<Damage>, Problem> {
    let (source, mut damages) = match wreck.table(WIRE, 0)? {
        Some(Opened::Source(source, damages)) => (source, damages),
        Some(Opened::Lost(damage)) => return Ok(vec![damage]),
        None => return Ok(Vec::new()),
    };
    for group in 0..source.metadata.num_row_groups() {
        for exchange in exchanges(&source, group, &mut damages) {
            each(exchange)?;
        }
    }
    Ok(damages)
}

fn exchanges(source: &Source, group: usize, damages: &mut Vec<Damage>) -> Vec<Exchange> {
    let mut tell = |name: &str, gone: Vec<std::ops::Range<usize>>, needed: bool| {
        damages.extend(gone.into_iter().map(|place| {
            let lost = if needed { place.len() as u64 } else { 0 };
            Damage {
                rows: place.len() as u64,
                lost,
                ..Damage::of_file(WIRE, format!("a page of column '{name}'"))
            }
        }));
    };
    let (at, gone) = read_cells::<Int64Type>(source, group, "at_ns");
    tell("at_ns", gone, true);
    let (took, gone) = read_cells::<Int64Type>(source, group, "took_ns");
    tell("took_ns", gone, true);
    let mut bytes = |name: &str, needed: bool| -> Vec<Cell<ByteArray>> {
        let (cells, gone) = read_cells::<ByteArrayType>(source, group, name);
        tell(name, gone, needed);
        cells
    };
    let [request, answer, fault] = ["request", "answer", "fault"].map(|name| bytes(name, true));
    drop(bytes("session", false));
    let exchange = |i: usize| -> Option<Exchange> {
        let fault: Option<WireFault> = match &fault[i] {
            Cell::Lost => return None,
            Cell::Empty => None,
            Cell::Is(word) => Some(serde_json::from_value(word.as_utf8().ok()?.into()).ok()?),
        };
        Some(Exchange {
            at: Moment(at[i].value()?),
            took: Span(took[i].value()?),
            request: request[i].value()?.data().to_vec(),
            answer: answer[i].value()?.data().to_vec(),
            fault,
        })
    };
    (0..at.len()).filter_map(exchange).collect()
}
