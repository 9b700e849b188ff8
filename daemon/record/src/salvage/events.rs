//! Events out of a damaged table: their JSON is the whole event, so the other columns are not needed.

use model::{EventEnvelope, Problem};
use parquet::data_type::{ByteArrayType, DoubleType, Int64Type};

use super::cells::{LostRows, read as read_cells};
use super::source::{Opened, Source};
use super::{Damage, Wreck};
use crate::layout::EVENTS;

/// Reads the table: the events that can be had, with their JSON.
pub(super) fn read(
    wreck: &Wreck,
    mut each: impl FnMut((EventEnvelope, String)) -> Result<(), Problem>,
) -> Result<Vec<Damage>, Problem> {
    let (source, mut damages) = match wreck.table(EVENTS, wreck.card.events)? {
        Some(Opened::Source(source, damages)) => (source, damages),
        Some(Opened::Lost(damage)) => return Ok(vec![damage]),
        None => return Ok(vec![Damage::of_file(EVENTS, "the session's description does not name it")]),
    };
    for group in 0..source.metadata.num_row_groups() {
        let (json, gone) = read_cells::<ByteArrayType>(&source, group, "json");
        damages.extend(gone.iter().map(|place| damage(place, "json", place.len())));
        for (column, gone) in beside(&source, group) {
            damages.extend(gone.iter().map(|place| damage(place, column, 0)));
        }
        for text in json.iter().filter_map(|cell| cell.value()) {
            let event = text
                .as_utf8()
                .ok()
                .and_then(|text| serde_json::from_str(text).ok().map(|event| (event, text.to_owned())));
            match event {
                Some(event) => each(event)?,
                None => damages.push(Damage {
                    rows: 1,
                    lost: 1,
                    ..Damage::of_file(EVENTS, "an event is not of its form")
                }),
            }
        }
    }
    Ok(damages)
}

fn damage(place: &LostRows, column: &str, lost: usize) -> Damage {
    let what = format!("a page of column '{column}'");
    Damage { rows: place.len() as u64, lost: lost as u64, ..Damage::of_file(EVENTS, what) }
}

/// Damage in the columns that repeat what the JSON says.
fn beside(source: &Source, group: usize) -> Vec<(&'static str, Vec<LostRows>)> {
    let mut found = Vec::new();
    for name in ["session", "kind", "step", "subject", "word", "unit"] {
        found.push((name, read_cells::<ByteArrayType>(source, group, name).1));
    }
    for name in ["seq", "at_ns", "utc"] {
        found.push((name, read_cells::<Int64Type>(source, group, name).1));
    }
    found.push(("value", read_cells::<DoubleType>(source, group, "value").1));
    found
}
