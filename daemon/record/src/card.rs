//! `session.json`: what a closed session is, in a form that a person and any program can read.

use model::{Ending, Moment, Problem};
use schemars::JsonSchema;
use schemars::generate::SchemaSettings;
use serde::{Deserialize, Serialize};
use sha2::{Digest, Sha256};
use std::fmt;
use std::path::Path;

use crate::head::SessionHead;
use crate::problem::damaged;

/// A file of a session.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct FileDigest {
    /// Its name in the folder.
    pub name: String,
    /// Its length in bytes.
    pub bytes: u64,
    /// Its SHA-256, in hex.
    pub sha256: String,
}

/// What of a journal could not be used.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct Cut {
    /// How many bytes.
    pub bytes: u64,
    /// What was wrong with the first of them.
    pub why: String,
    /// In how many places. 0 in a record made before places were counted: then it is its end.
    #[serde(default, skip_serializing_if = "is_zero")]
    pub places: u64,
    /// Records whose numbers never came, those that lay in damaged bytes included; how many lay behind the last one that
    /// came is not known.
    #[serde(default, skip_serializing_if = "is_zero")]
    pub missing: u64,
    /// The last moment recorded before the first place; absent when nothing lies before it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub from: Option<Moment>,
    /// The first moment recorded after the last place; absent when nothing lies behind it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub to: Option<Moment>,
    /// The first places one by one.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub stretches: Vec<Stretch>,
}

/// A place of a journal that could not be used.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct Stretch {
    /// Where it began, in bytes from the journal's start.
    pub at: u64,
    /// How many bytes; 0 where all that is there is whole, and something is missing.
    pub bytes: u64,
    /// What was wrong.
    pub why: String,
    /// The last moment recorded before it; absent when nothing lies before it.
    pub from: Option<Moment>,
    /// The first moment recorded after it; absent when nothing lies behind it.
    pub to: Option<Moment>,
}

fn is_zero(n: &u64) -> bool {
    *n == 0
}

impl fmt::Display for Cut {
    /// One line, for instance `412 bytes in 2 places could not be read, between 3.2 s and 7.5 s; 2 records are missing; first:
    /// a checksum does not match`.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        if self.places <= 1 && self.missing == 0 && self.to.is_none() {
            return write!(f, "{} at its end could not be read: {}", count(self.bytes, "byte"), self.why);
        }
        let (bytes, places) = (count(self.bytes, "byte"), count(self.places, "place"));
        write!(f, "{bytes} in {places} could not be read, between ")?;
        match self.from {
            Some(from) => write!(f, "{:.1} s", from.as_secs_f64())?,
            None => f.write_str("its beginning")?,
        }
        match self.to {
            Some(to) => write!(f, " and {:.1} s", to.as_secs_f64())?,
            None => f.write_str(" and its end")?,
        }
        match self.missing {
            0 => f.write_str("; no record is missing")?,
            1 => f.write_str("; 1 record is missing")?,
            n => write!(f, "; {n} records are missing")?,
        }
        write!(f, "; first: {}", self.why)
    }
}

/// So many of something.
pub(crate) fn count(n: u64, what: &str) -> String {
    if n == 1 { format!("1 {what}") } else { format!("{n} {what}s") }
}

/// What a closed session is.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct SessionCard {
    /// Version of the record ([`crate::RECORD_VERSION`]).
    pub schema: u16,
    /// What the session said of itself at its start.
    pub head: SessionHead,
    /// How it ended; absent when a crash ended it.
    pub ending: Option<Ending>,
    /// Readings in the table of samples.
    pub samples: u64,
    /// Gaps in the table of samples.
    pub gaps: u64,
    /// Rows of the table of events.
    pub events: u64,
    /// Time of the earliest sample or event.
    pub first: Option<Moment>,
    /// Time of the latest sample or event.
    pub last: Option<Moment>,
    /// The files beside this one.
    pub files: Vec<FileDigest>,
    /// Whether the session was closed by a later start, after a crash.
    pub recovered: bool,
    /// What of its journal could not be used.
    pub cut: Option<Cut>,
    /// SHA-256 of this card with this field empty, as compact JSON, in hex.
    pub card_sha256: String,
}

#[derive(Deserialize)]
struct Version {
    schema: u16,
}

/// Whether a name can only mean a file in its own folder.
fn plain(name: &str) -> bool {
    let mut parts = Path::new(name).components();
    matches!((parts.next(), parts.next()), (Some(std::path::Component::Normal(_)), None))
        && !name.contains('\\')
}

impl SessionCard {
    /// The bytes of `session.json`.
    pub(crate) fn to_bytes(&self) -> Result<Vec<u8>, serde_json::Error> {
        let mut sealed = self.clone();
        sealed.card_sha256 = self.own_digest()?;
        let mut bytes = serde_json::to_vec_pretty(&sealed)?;
        bytes.push(b'\n');
        Ok(bytes)
    }

    /// Reads `session.json` and refuses it when one character is not what was written.
    pub(crate) fn from_bytes(bytes: &[u8], path: &Path) -> Result<Self, Problem> {
        let cure =
            "restore the session's folder from a copy, or see what 'holdgate sessions rescue' can have of it";
        let other = |e| damaged(path, format!("it is not the description of a session: {e}"), cure);
        // The version first: a description of another version may have another form.
        let Version { schema } = serde_json::from_slice(bytes).map_err(other)?;
        if schema != crate::RECORD_VERSION {
            let seen = format!("it is of version {schema}; this program reads {}", crate::RECORD_VERSION);
            return Err(damaged(path, seen, "read it with the version of this program that wrote it"));
        }
        let card: Self = serde_json::from_slice(bytes).map_err(other)?;
        if let Some(file) = card.files.iter().find(|file| !plain(&file.name)) {
            let seen = format!("it names a file outside its folder: '{}'", file.name.escape_debug());
            return Err(damaged(path, seen, cure));
        }
        match card.own_digest() {
            Ok(digest) if digest == card.card_sha256 => Ok(card),
            _ => Err(damaged(path, "its digest does not match: it was changed after it was written", cure)),
        }
    }

    fn own_digest(&self) -> Result<String, serde_json::Error> {
        let bare = Self { card_sha256: String::new(), ..self.clone() };
        Ok(hex(&Sha256::digest(serde_json::to_vec(&bare)?)))
    }
}

/// The JSON Schema (draft 2020-12) of `session.json`.
pub fn session_schema() -> serde_json::Value {
    let generator = SchemaSettings::draft2020_12().for_serialize().into_generator();
    let mut schema = generator.into_root_schema_for::<SessionCard>();
    schema.insert("title".into(), "What a closed session is: session.json".into());
    schema.to_value()
}

/// Bytes in lower-case hex.
pub(crate) fn hex(bytes: &[u8]) -> String {
    bytes.iter().map(|b| format!("{b:02x}")).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::testing::head;

    #[test]
    fn a_cut_reads_as_a_person_would_say_it() {
        let why = || "a checksum does not match".to_owned();
        let none = Vec::new;
        let tail = Cut {
            bytes: 1,
            why: why(),
            places: 1,
            missing: 0,
            from: Some(Moment(9)),
            to: None,
            stretches: none(),
        };
        assert_eq!(tail.to_string(), "1 byte at its end could not be read: a checksum does not match");
        let from = Some(Moment(3_200_000_000));
        let two =
            Cut { bytes: 412, places: 2, missing: 2, from, to: Some(Moment(7_500_000_000)), ..tail.clone() };
        assert_eq!(
            two.to_string(),
            "412 bytes in 2 places could not be read, between 3.2 s and 7.5 s; 2 records are missing; first: a checksum \
             does not match"
        );
        let head = Cut { places: 1, to: Some(Moment(0)), from: None, missing: 1, ..tail };
        assert_eq!(
            head.to_string(),
            "1 byte in 1 place could not be read, between its beginning and 0.0 s; 1 record is missing; first: a checksum \
             does not match"
        );
    }

    /// Records made before places were counted keep their digest.
    #[test]
    fn a_cut_without_places_reads_and_writes_as_it_was() {
        let old = r#"{"bytes":4,"why":"torn"}"#;
        let cut: Cut = serde_json::from_str(old).unwrap();
        assert_eq!(serde_json::to_string(&cut).unwrap(), old);
        assert_eq!(cut.to_string(), "4 bytes at its end could not be read: torn");
    }

    #[test]
    fn every_change_of_a_bit_is_refused() {
        let card = SessionCard {
            schema: crate::RECORD_VERSION,
            head: head("s1"),
            ending: Some(Ending::Passed),
            samples: 7,
            gaps: 2,
            events: 3,
            first: Some(Moment(1)),
            last: Some(Moment(9)),
            files: vec![FileDigest { name: "a".into(), bytes: 1, sha256: "00".into() }],
            recovered: false,
            cut: None,
            card_sha256: String::new(),
        };
        let path = Path::new("session.json");
        let bytes = card.to_bytes().unwrap();
        let read = SessionCard::from_bytes(&bytes, path).unwrap();
        assert_eq!(SessionCard { card_sha256: String::new(), ..read.clone() }, card);
        for i in 0..bytes.len() * 8 {
            let mut bad = bytes.clone();
            bad[i / 8] ^= 1 << (i % 8);
            // A changed space between two tokens changes nothing that is said.
            if let Ok(other) = SessionCard::from_bytes(&bad, path) {
                assert_eq!(other, read, "bit {i}");
            }
        }
    }
}
