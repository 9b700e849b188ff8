//! Readings and gaps out of a damaged table.
//!
//! What a damaged page held is taken from the rest of its row where it follows from it: where the table's end says that
//! every value of the group is on the channel's line, a value from its count or the count from the value; uncertainties and unit from the session's head; half of the
//! interval from the largest that the group's statistics name. A reading whose quality or value is lost is kept
//! as invalid, so that nobody judges it. Without its time, or with neither count nor value, a row is lost.

use model::{ChannelId, Gap, Moment, Problem, Quality, Sample, Uncertainty};
use parquet::data_type::{ByteArray, ByteArrayType, DoubleType, Int64Type};
use parquet::file::statistics::Statistics;

use super::cells::{Cell, LostRows, read as read_cells};
use super::source::{Opened, Source};
use super::{Damage, Wreck};
use crate::head::ChannelHead;
use crate::layout::SAMPLES;
use crate::row::Row;
use crate::tables::{ON_LINE, SLICES, quality_of};
use crate::tick::Tick;

/// Reads the table, a row group after the other: the rows that can be had, and whether a stretch ends with
/// them.
pub(super) fn read(
    wreck: &Wreck,
    mut each: impl FnMut(Vec<Row>, bool) -> Result<(), Problem>,
) -> Result<Vec<Damage>, Problem> {
    let (source, mut damages) = match wreck.table(SAMPLES, wreck.card.samples + wreck.card.gaps)? {
        Some(Opened::Source(source, damages)) => (source, damages),
        Some(Opened::Lost(damage)) => return Ok(vec![damage]),
        None => return Ok(vec![Damage::of_file(SAMPLES, "the session's description does not name it")]),
    };
    let ends = ends_of_stretches(&source);
    let on_line: Vec<bool> = said(&source, ON_LINE);
    for group in 0..source.metadata.num_row_groups() {
        let Some(channel) = channel_of(&source, group) else {
            let rows = u64::try_from(source.metadata.row_group(group).num_rows()).unwrap_or(0);
            let what = format!("row group {group} does not name its channel");
            damages.push(Damage { rows, lost: rows, ..Damage::of_file(SAMPLES, what) });
            each(Vec::new(), ends.contains(&group))?;
            continue;
        };
        let about = wreck.card.head.channels.iter().find(|head| head.id == channel);
        let on_line = on_line.get(group).copied().unwrap_or(false);
        let salvaged = Group::read(&source, group, on_line).rows(&channel, about, &mut damages);
        each(salvaged, ends.contains(&group))?;
    }
    Ok(damages)
}

/// A list that the table tells of itself; empty where it does not.
fn said<T: serde::de::DeserializeOwned>(source: &Source, key: &str) -> Vec<T> {
    let keys = source.metadata.file_metadata().key_value_metadata();
    let text = keys.and_then(|keys| keys.iter().find(|kv| kv.key == key)?.value.as_deref());
    text.and_then(|text| serde_json::from_str(text).ok()).unwrap_or_default()
}

/// The last row group of each stretch.
fn ends_of_stretches(source: &Source) -> Vec<usize> {
    let lengths: Vec<usize> = said(source, SLICES);
    let mut end = 0_usize;
    let ends = lengths.into_iter().map(|length| {
        end = end.saturating_add(length);
        end.saturating_sub(1)
    });
    ends.collect()
}

/// A group's channel by the statistics in the table's end.
fn channel_of(source: &Source, group: usize) -> Option<ChannelId> {
    let column = source.metadata.row_group(group).columns().iter();
    let mut column = column.filter(|c| c.column_path().string() == "channel");
    let Some(Statistics::ByteArray(statistics)) = column.next()?.statistics() else { return None };
    ChannelId::new(statistics.min_opt()?.as_utf8().ok()?).ok()
}

/// The cells of a row group.
struct Group {
    tick: Vec<Cell<i64>>,
    half: Vec<Cell<i64>>,
    raw: Vec<Cell<i64>>,
    value: Vec<Cell<f64>>,
    uncertainty: [Vec<Cell<f64>>; 3],
    quality: Vec<Cell<ByteArray>>,
    /// The longest half interval of the group.
    longest: Option<i64>,
    /// Whether a value follows from its count, and the count from its value.
    on_line: bool,
    lost: Vec<(&'static str, Vec<LostRows>)>,
}

impl Group {
    fn read(source: &Source, group: usize, on_line: bool) -> Self {
        let mut lost = Vec::new();
        let mut whole = |name: &'static str| {
            let (cells, gone) = read_cells::<Int64Type>(source, group, name);
            lost.push((name, gone));
            cells
        };
        let (tick, half, raw) = (whole("tick"), whole("half_ticks"), whole("raw"));
        let mut number = |name: &'static str| {
            let (cells, gone) = read_cells::<DoubleType>(source, group, name);
            lost.push((name, gone));
            cells
        };
        let value = number("value");
        let uncertainty = ["noise", "resolution", "shared"].map(&mut number);
        let mut text = |name: &'static str| {
            let (cells, gone) = read_cells::<ByteArrayType>(source, group, name);
            lost.push((name, gone));
            cells
        };
        let quality = text("quality");
        // What these hold is known without them; that their pages are damaged is told all the same.
        ["session", "channel", "unit"].into_iter().for_each(|name| drop(text(name)));
        let longest = source.metadata.row_group(group).columns().iter();
        let longest = longest.filter(|c| c.column_path().string() == "half_ticks").find_map(|c| {
            match c.statistics()? {
                Statistics::Int64(s) => s.max_opt().copied(),
                _ => None,
            }
        });
        Self { tick, half, raw, value, uncertainty, quality, longest, on_line, lost }
    }

    /// The rows that can be had.
    fn rows(&self, channel: &ChannelId, about: Option<&ChannelHead>, damages: &mut Vec<Damage>) -> Vec<Row> {
        let rows: Vec<Option<Row>> = (0..self.tick.len()).map(|i| self.row(i, channel, about)).collect();
        for (column, gone) in &self.lost {
            for place in gone {
                let (from, to) = self.between(place);
                let lost = rows[place.clone()].iter().filter(|row| row.is_none()).count();
                damages.push(Damage {
                    rows: place.len() as u64,
                    lost: lost as u64,
                    from,
                    to,
                    ..Damage::of_file(SAMPLES, format!("a page of column '{column}' of channel '{channel}'"))
                });
            }
        }
        rows.into_iter().flatten().collect()
    }

    /// The times of the rows in a place, from the nearest whose times are known.
    fn between(&self, place: &LostRows) -> (Option<Moment>, Option<Moment>) {
        let at = |cell: &Cell<i64>| cell.value().map(|middle| Tick { middle, half: 0 }.at());
        let from = self.tick[..=place.start].iter().rev().find_map(at);
        let to = self.tick[place.end - 1..].iter().find_map(at);
        (from, to)
    }

    fn row(&self, i: usize, channel: &ChannelId, about: Option<&ChannelHead>) -> Option<Row> {
        let middle = self.tick[i].value()?;
        let half = self.half[i].value().or(self.longest)?;
        let tick = Tick { middle, half };
        let word = self.quality[i].value();
        let quality = match word.as_ref().and_then(|word| quality_of(word.as_utf8().ok()?)) {
            Some(Err(why)) => {
                return Some(Row::Gap(Gap {
                    channel: channel.clone(),
                    at: tick.at(),
                    half: tick.span(),
                    why,
                }));
            }
            Some(Ok(quality)) if !self.value[i].is_lost() || self.on_line => quality,
            Some(Ok(_)) | None => Quality::Invalid,
        };
        let (raw, value) = (self.raw[i].value(), self.value[i].value());
        let line = about.filter(|_| self.on_line);
        let (raw, value) = match (raw, value, line) {
            (Some(raw), Some(value), _) => (raw, value),
            (Some(raw), None, Some(head)) if self.value[i].is_lost() => {
                (raw, raw as f64 * head.factor + head.offset)
            }
            // The count is what was measured; what it stood for is not known any more.
            (Some(raw), None, None) if self.value[i].is_lost() => (raw, f64::NAN),
            (None, Some(value), Some(head)) if self.raw[i].is_lost() => (count(value, head)?, value),
            _ => return None,
        };
        let told = |n: usize, of: fn(&ChannelHead) -> f64| self.uncertainty[n][i].value().or(about.map(of));
        let uncertainty = Uncertainty {
            noise: told(0, |head| head.noise)?,
            resolution: told(1, |head| head.resolution)?,
            shared: told(2, |head| head.shared)?,
        };
        Some(Row::Sample(Sample {
            channel: channel.clone(),
            at: tick.at(),
            time_uncertainty: tick.span(),
            raw,
            value,
            uncertainty,
            quality,
        }))
    }
}

/// The count that gives exactly this value on the channel's line; none where no count does.
fn count(value: f64, head: &ChannelHead) -> Option<i64> {
    let raw = ((value - head.offset) / head.factor).round();
    let exact = raw.abs() < 2_f64.powi(53) && raw * head.factor + head.offset == value;
    exact.then_some(raw as i64)
}
