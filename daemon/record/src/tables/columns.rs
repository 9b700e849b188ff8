//! The declared columns of every table: one list, from which the file's schema, the encodings and the files
//! in `schemas/tables` all come.

use std::sync::Arc;

use arrow::datatypes::{DataType, Field, Schema, TimeUnit};
use parquet::basic::Encoding;
use serde_json::{Value, json};

/// How a column is kept.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Kind {
    /// Text out of few different ones.
    Name,
    /// Text out of few different ones, or none.
    MaybeName,
    /// Any text.
    Text,
    /// Bytes out of few different ones.
    Bytes,
    /// A whole number that changes little from row to row.
    Whole,
    /// A whole number out of few different ones.
    FewWhole,
    /// A whole number that is never negative.
    Count,
    /// A whole number that changes little from row to row, or none.
    MaybeWhole,
    /// Nanoseconds since 1970-01-01T00:00:00Z.
    Utc,
    /// A number out of few different ones, because values come from converter counts; or none.
    MaybeNumber,
}

impl Kind {
    fn data_type(self) -> DataType {
        match self {
            Self::Name | Self::MaybeName => {
                DataType::Dictionary(Box::new(DataType::Int32), Box::new(DataType::Utf8))
            }
            Self::Text => DataType::Utf8,
            Self::Bytes => DataType::Binary,
            Self::Whole | Self::MaybeWhole | Self::FewWhole => DataType::Int64,
            Self::Count => DataType::UInt64,
            Self::Utc => DataType::Timestamp(TimeUnit::Nanosecond, Some("UTC".into())),
            Self::MaybeNumber => DataType::Float64,
        }
    }

    fn words(self) -> &'static str {
        match self {
            Self::Name | Self::MaybeName => "string, dictionary",
            Self::Text => "string",
            Self::Bytes => "binary",
            Self::Whole | Self::MaybeWhole | Self::FewWhole => "int64",
            Self::Count => "uint64",
            Self::Utc => "timestamp[ns, UTC]",
            Self::MaybeNumber => "float64",
        }
    }

    fn may_be_none(self) -> bool {
        matches!(self, Self::MaybeName | Self::MaybeWhole | Self::MaybeNumber)
    }

    /// The encoding asked for, and whether a dictionary comes first.
    pub(super) fn encoding(self) -> (Encoding, bool) {
        match self {
            Self::Name | Self::MaybeName | Self::FewWhole | Self::MaybeNumber | Self::Bytes => {
                (Encoding::PLAIN, true)
            }
            Self::Text => (Encoding::PLAIN, false),
            Self::Whole | Self::MaybeWhole | Self::Count | Self::Utc => {
                (Encoding::DELTA_BINARY_PACKED, false)
            }
        }
    }
}

/// One declared column.
pub(super) struct Column {
    pub(super) name: &'static str,
    pub(super) kind: Kind,
    meaning: &'static str,
}

const fn column(name: &'static str, kind: Kind, meaning: &'static str) -> Column {
    Column { name, kind, meaning }
}

const SESSION: Column = column("session", Kind::Name, "id of the session");

/// One reading or gap a row.
pub(super) const SAMPLES: &[Column] = &[
    SESSION,
    column("channel", Kind::Name, "id of the channel"),
    column(
        "tick",
        Kind::Whole,
        "middle of the interval in which the controller must have read it, in steps of 10 us of the station's own clock, \
         which never jumps; of a gap the middle of the gap",
    ),
    column("half_ticks", Kind::FewWhole, "half of that interval, in steps of 10 us, rounded outward"),
    column("raw", Kind::MaybeWhole, "the count as it came over the wire; none in a gap"),
    column("value", Kind::MaybeNumber, "the middle of the count's interval, in the unit; none in a gap"),
    column("unit", Kind::MaybeName, "unit of value, noise, resolution and shared, as a UCUM code"),
    column("noise", Kind::MaybeNumber, "standard deviation of the noise of one reading, in the unit"),
    column("resolution", Kind::MaybeNumber, "width of one count, in the unit"),
    column(
        "shared",
        Kind::MaybeNumber,
        "standard uncertainty that all readings of the channel share, in the unit",
    ),
    column(
        "quality",
        Kind::Name,
        "of a reading: good, implausible, saturated or invalid, and only good readings are judged; of a gap its reason: \
         no_answer, damaged, refused, link_down or lost",
    ),
];

/// One event a row, in the order of `seq`.
pub(super) const EVENTS: &[Column] = &[
    SESSION,
    column("seq", Kind::Count, "counts from 1 within the session"),
    column("at_ns", Kind::Whole, "when, in ns of the station's own clock, which never jumps"),
    column(
        "utc",
        Kind::Utc,
        "the same moment in UTC, by the newest anchor at or before it; may jump at an anchor",
    ),
    column("kind", Kind::Name, "what kind of event"),
    column("step", Kind::MaybeName, "the step of the procedure in which it happened, where there is one"),
    column(
        "subject",
        Kind::MaybeName,
        "what it is about: the step, channel, output or key; of a session's start the procedure",
    ),
    column("word", Kind::MaybeName, "how it came out, in one word: of a session or step its ending"),
    column("value", Kind::MaybeNumber, "the number told, in the unit"),
    column("unit", Kind::MaybeName, "unit of the number, as a UCUM code"),
    column("json", Kind::Text, "the whole event"),
];

/// One request and what came back a row, in the order of time.
pub(super) const WIRE: &[Column] = &[
    SESSION,
    column(
        "at_ns",
        Kind::Whole,
        "when the first character of the request began, in ns of the station's own clock",
    ),
    column("took_ns", Kind::Whole, "to the end of the last character, or until it was given up, in ns"),
    column("request", Kind::Bytes, "the request, with header and checksum where the dialect has them"),
    column("answer", Kind::Bytes, "what came back, as far as it came; echoes left out"),
    column("fault", Kind::MaybeName, "what was wrong with it, where anything was"),
];

/// The schema of a table.
pub(super) fn schema(columns: &[Column]) -> Schema {
    let field = |c: &Column| Field::new(c.name, c.kind.data_type(), c.kind.may_be_none());
    Schema::new(columns.iter().map(|c| Arc::new(field(c))).collect::<Vec<_>>())
}

/// A table as it is declared to the outside.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct DeclaredTable {
    /// Its name, which is also that of its file in a session's folder.
    pub name: &'static str,
    /// Its declaration as JSON, as it lies in `schemas/tables/<name>.json`.
    pub json: String,
}

/// Every recorded table, generated from the schema that the files are written with.
pub fn declared_tables() -> Vec<DeclaredTable> {
    let keys = super::about::KEYS.iter().map(|(key, meaning)| json!({ "key": key, "meaning": meaning }));
    let keys: Vec<Value> = keys.collect();
    [
        (
            "samples",
            "one reading or gap a row; each row group holds one channel in the order of time, and a session is one or more \
             stretches of such groups, each stretch with every channel in the order of the session's head",
            SAMPLES,
        ),
        ("events", "one event a row, in the order of their numbers", EVENTS),
        ("wire", "one exchange a row, in the order recorded; only where a trace of the wire was wanted", WIRE),
    ]
    .into_iter()
    .map(|(name, rows, columns)| {
        let schema = schema(columns);
        let columns: Vec<Value> = columns
            .iter()
            .zip(schema.fields())
            .map(|(column, field)| {
                let (encoding, dictionary) = column.kind.encoding();
                json!({
                    "name": field.name(),
                    "type": column.kind.words(),
                    "nullable": field.is_nullable(),
                    "encoding": if dictionary { "RLE_DICTIONARY".to_owned() } else { encoding.to_string() },
                    "meaning": column.meaning,
                })
            })
            .collect();
        let table = json!({
            "table": name,
            "version": crate::RECORD_VERSION,
            "file": format!("{name}.parquet"),
            "rows": rows,
            "columns": columns,
            "metadata": keys,
        });
        let mut json = serde_json::to_string_pretty(&table).expect("a value of texts and numbers is JSON");
        json.push('\n');
        DeclaredTable { name, json }
    })
    .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// With `UPDATE_SCHEMAS=1` the files are written instead of compared.
    #[test]
    fn the_declared_tables_are_those_written() {
        let folder = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("../../schemas/tables");
        for table in declared_tables() {
            let path = folder.join(format!("{}.json", table.name));
            if std::env::var_os("UPDATE_SCHEMAS").is_some_and(|v| v == "1") {
                std::fs::create_dir_all(&folder).unwrap();
                std::fs::write(&path, &table.json).unwrap();
            }
            let declared = std::fs::read_to_string(&path).unwrap_or_default();
            assert_eq!(
                declared, table.json,
                "schemas/tables/{}.json has drifted: set UPDATE_SCHEMAS=1",
                table.name
            );
        }
    }
}
