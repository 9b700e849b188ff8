//! What every table says of itself in its key-value metadata.

use std::collections::BTreeMap;

use model::{Moment, Span};
use parquet::file::metadata::KeyValue;
use serde_json::json;

use crate::head::{ChannelHead, SessionHead};
use crate::tick::TICK;

/// The metadata keys and what they mean.
pub(super) const KEYS: &[(&str, &str)] = &[
    ("holdgate.record", "version of the tables"),
    ("holdgate.table", "name of the table"),
    ("holdgate.session", "id of the session"),
    ("holdgate.station", "id of the station"),
    ("holdgate.car", "name of the car"),
    ("holdgate.program", "version of the program that recorded it"),
    ("holdgate.description_sha256", "SHA-256 of the controller's description, in hex"),
    ("holdgate.script_sha256", "SHA-256 of the script, in hex; empty without one"),
    ("holdgate.tick_ns", "length of a tick of the table of samples, in ns"),
    ("holdgate.utc_nanos", "UTC at moment 0 of the station's clock, in ns since 1970-01-01T00:00:00Z"),
    ("holdgate.anchors", "JSON list of what ties the clock to UTC: at_ns, utc_ns, uncertainty_ns, source"),
    (SLICES, "JSON list: row groups of each stretch of the table of samples, in order; only there"),
    (
        ON_LINE,
        "JSON list: for each row group of the table of samples whether every value in it is raw x factor + offset to the \
         last bit; only there",
    ),
    ("holdgate.units", "JSON object: channel to UCUM code"),
    ("holdgate.resolution", "JSON object: channel to the width of one count in its unit"),
    (
        "holdgate.factor",
        "JSON object: channel to the factor of value = count x factor + offset, for channels on a line",
    ),
    ("holdgate.offset", "JSON object: channel to the offset of the same line, in its unit"),
    (
        "holdgate.noise",
        "JSON object: channel to the standard deviation of the noise of one reading, in its unit",
    ),
    (
        "holdgate.shared",
        "JSON object: channel to its standard uncertainty of calibration, which all readings share, in its unit",
    ),
    ("holdgate.rounding", "JSON object: channel to what the controller does with the digits it drops"),
];

/// Key of how many row groups each stretch of the table of samples became; put in when the table ends.
pub(crate) const SLICES: &str = "holdgate.slices";

/// Key of which row groups of the table of samples are on their channel's line; put in when the table ends.
pub(crate) const ON_LINE: &str = "holdgate.on_line";

/// What a table's metadata is made from.
#[derive(Clone, Copy)]
pub(crate) struct TableHead<'a> {
    pub(crate) head: &'a SessionHead,
    pub(crate) anchors: &'a Anchors,
}

impl TableHead<'_> {
    pub(super) fn key_values(&self, table: &str) -> Vec<KeyValue> {
        let head = self.head;
        let values = [
            crate::RECORD_VERSION.to_string(),
            table.to_owned(),
            head.session.to_string(),
            head.station.to_string(),
            head.car.clone(),
            head.program.clone(),
            head.description_sha256.clone(),
            head.script_sha256.clone().unwrap_or_default(),
            TICK.0.to_string(),
            head.utc_nanos.to_string(),
            self.anchors.json(),
            self.each_channel(|c| json!(c.unit.code())),
            self.each_channel(|c| json!(c.resolution)),
            self.each_channel(|c| json!(c.factor)),
            self.each_channel(|c| json!(c.offset)),
            self.each_channel(|c| json!(c.noise)),
            self.each_channel(|c| json!(c.shared)),
            self.each_channel(|c| json!(c.rounding)),
        ];
        let keys = KEYS.iter().map(|(key, _)| key).filter(|key| ![SLICES, ON_LINE].contains(*key));
        keys.zip(values).map(|(key, value)| KeyValue::new((*key).to_owned(), value)).collect()
    }

    fn each_channel(&self, of: impl Fn(&ChannelHead) -> serde_json::Value) -> String {
        let map: BTreeMap<&str, _> = self.head.channels.iter().map(|c| (c.id.as_str(), of(c))).collect();
        json!(map).to_string()
    }
}

struct Anchor {
    at: i64,
    utc: i64,
    uncertainty: i64,
    source: String,
}

/// The ties between the station's clock and UTC, in the order of the clock.
pub(crate) struct Anchors {
    zero: i64,
    list: Vec<Anchor>,
}

impl Anchors {
    /// Before any anchor event: UTC at moment 0.
    pub(crate) fn new(utc_nanos: i64) -> Self {
        Self { zero: utc_nanos, list: Vec::new() }
    }

    /// Adds an anchor event.
    pub(crate) fn add(&mut self, at: Moment, utc: i64, uncertainty: Span, source: &str) {
        let place = self.list.partition_point(|a| a.at <= at.0);
        self.list
            .insert(place, Anchor { at: at.0, utc, uncertainty: uncertainty.0, source: source.to_owned() });
    }

    /// UTC of a moment by the newest anchor at or before it; saturates at the ends of 64-bit nanoseconds.
    pub(crate) fn utc(&self, at: Moment) -> i64 {
        let (from, utc) = match self.list.partition_point(|a| a.at <= at.0) {
            0 => (0, self.zero),
            n => (self.list[n - 1].at, self.list[n - 1].utc),
        };
        let exact = i128::from(utc) + i128::from(at.0) - i128::from(from);
        exact.clamp(i64::MIN.into(), i64::MAX.into()) as i64
    }

    fn json(&self) -> String {
        let each = |a: &Anchor| json!({ "at_ns": a.at, "utc_ns": a.utc, "uncertainty_ns": a.uncertainty, "source": a.source });
        serde_json::Value::from(self.list.iter().map(each).collect::<Vec<_>>()).to_string()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_later_anchor_corrects_what_follows_it_and_nothing_before() {
        let mut anchors = Anchors::new(1_000);
        assert_eq!(anchors.utc(Moment(5)), 1_005);
        anchors.add(Moment(20), 2_000, Span(1), "system");
        anchors.add(Moment(10), 1_500, Span(1), "system");
        assert_eq!(
            [5, 10, 19, 20, 21].map(|at| anchors.utc(Moment(at))),
            [1_005, 1_500, 1_509, 2_000, 2_001]
        );
        assert_eq!(anchors.utc(Moment(i64::MAX)), i64::MAX);
    }
}
