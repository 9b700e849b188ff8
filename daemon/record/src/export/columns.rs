//! The columns: which channels, in which units, with how many digits.

use std::collections::BTreeMap;

use model::{ChannelId, Problem, Sample, Unit};

use super::options::ExportOptions;
use crate::head::ChannelHead;
use crate::problem::argument;
use crate::read::Session;

/// A channel with its column.
#[derive(Debug, Clone)]
pub(super) struct Column {
    pub(super) id: ChannelId,
    /// The unit in which it is written.
    pub(super) unit: Unit,
    /// Width of one count, in that unit.
    pub(super) resolution: f64,
    recorded: Unit,
}

impl Column {
    /// What stands above it.
    pub(super) fn title(&self) -> String {
        format!("{} [{}]", self.id, self.unit)
    }

    /// A value in the column's unit.
    pub(super) fn value(&self, recorded: f64) -> f64 {
        self.recorded.convert(recorded, &self.unit).expect("the units were found to measure the same thing")
    }

    /// A width or an uncertainty in the column's unit.
    pub(super) fn width(&self, recorded: f64) -> f64 {
        let converted = self.recorded.convert_difference(recorded, &self.unit);
        converted.expect("the units were found to measure the same thing").abs()
    }

    /// The value that a cell may show: that of a good reading.
    pub(super) fn usable(&self, sample: &Sample) -> Option<f64> {
        let value = self.value(sample.value);
        (sample.quality.usable() && value.is_finite()).then_some(value)
    }

    fn of(head: &ChannelHead) -> Self {
        let unit = head.unit.clone();
        Self { id: head.id.clone(), recorded: unit.clone(), unit, resolution: head.resolution }
    }
}

/// All of them.
#[derive(Debug)]
pub(super) struct Columns {
    pub(super) list: Vec<Column>,
    at: BTreeMap<ChannelId, usize>,
    /// Whether no channel was left out.
    all: bool,
}

impl Columns {
    pub(super) fn plan(session: &Session, options: &ExportOptions, problems: &mut Vec<Problem>) -> Self {
        let known = &session.head().channels;
        let mut list: Vec<Column> = Vec::new();
        for name in &options.channels {
            match find(known, name) {
                Ok(head) if list.iter().any(|column| column.id == head.id) => {
                    let seen = format!("channel '{name}' is named twice");
                    problems.push(argument("--channels", seen, "name it once"));
                }
                Ok(head) => list.push(Column::of(head)),
                Err(cure) => {
                    let seen = format!("the session has no channel '{}'", shown(name));
                    problems.push(argument("--channels", seen, cure));
                }
            }
        }
        let all = options.channels.is_empty();
        if all {
            list = known.iter().map(Column::of).collect();
        }
        if list.is_empty() && problems.is_empty() {
            let cure = "export it with --long";
            problems.push(argument("--channels", "the session's description names no channel", cure));
        }
        for (name, code) in &options.units {
            problems.extend(in_unit(&mut list, known, name, code).err());
        }
        let at = list.iter().enumerate().map(|(i, column)| (column.id.clone(), i)).collect();
        Self { list, at, all }
    }

    /// Number of a channel's column.
    pub(super) fn at(&self, channel: &ChannelId) -> Option<usize> {
        self.at.get(channel).copied()
    }

    /// A channel's column.
    pub(super) fn of(&self, channel: &ChannelId) -> Option<&Column> {
        self.at(channel).map(|at| &self.list[at])
    }

    /// Whether rows of a channel belong into the long shape.
    pub(super) fn wants(&self, channel: &ChannelId) -> bool {
        self.all || self.at.contains_key(channel)
    }
}

fn in_unit(list: &mut [Column], known: &[ChannelHead], name: &str, code: &str) -> Result<(), Problem> {
    let refuse = |seen: String, cure: String| Err(argument("--units", seen, cure));
    let Some(column) = list.iter_mut().find(|column| column.id.as_str() == name) else {
        return match find(known, name) {
            Ok(_) => refuse(format!("channel '{name}' is not exported"), "add it to --channels".into()),
            Err(cure) => refuse(format!("the session has no channel '{}'", shown(name)), cure),
        };
    };
    let unit = match Unit::new(code) {
        Ok(unit) => unit,
        Err(error) => {
            return refuse(error.to_string(), format!("write a UCUM code, such as '{}'", column.unit));
        }
    };
    match column.recorded.convert_difference(column.resolution, &unit) {
        Ok(resolution) => (column.unit, column.resolution) = (unit, resolution.abs()),
        Err(error) => {
            let cure =
                format!("'{name}' was recorded in '{}': choose a unit of the same kind", column.recorded);
            return refuse(error.to_string(), cure);
        }
    }
    Ok(())
}

/// The channel of a name, or what to do about a name that there is not.
pub(super) fn find<'k>(known: &'k [ChannelHead], name: &str) -> Result<&'k ChannelHead, String> {
    let names = || known.iter().map(|channel| channel.id.as_str());
    known.iter().find(|channel| channel.id.as_str() == name).ok_or_else(|| {
        match model::nearest(name, names()) {
            Some(near) => format!("did you mean '{near}'?"),
            None => format!("it has {}", names().collect::<Vec<_>>().join(", ")),
        }
    })
}

pub(super) fn shown(text: &str) -> String {
    text.chars().take(80).collect::<String>().escape_debug().to_string()
}
