//! `session.json`: what a closed session is, in a form that a person and any program can read.

use model::{Ending, Moment, Problem};
use serde::{Deserialize, Serialize};
use sha2::{Digest, Sha256};
use std::path::Path;

use crate::head::SessionHead;
use crate::problem::damaged;

/// A file of a session.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct FileDigest {
    /// Its name in the folder.
    pub name: String,
    /// Its length in bytes.
    pub bytes: u64,
    /// Its SHA-256, in hex.
    pub sha256: String,
}

/// What was cut from the end of a damaged journal.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Cut {
    /// How many bytes of the journal could not be used.
    pub bytes: u64,
    /// What was wrong with the first of them.
    pub why: String,
}

/// What a closed session is.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
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
    /// What was cut because it was damaged.
    pub cut: Option<Cut>,
    /// What of another session could be had for this one, where it was rescued from a damaged one.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub rescued: Option<Vec<crate::salvage::Damage>>,
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
        let cure = "restore the session's folder from a copy";
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

/// Bytes in lower-case hex.
pub(crate) fn hex(bytes: &[u8]) -> String {
    bytes.iter().map(|b| format!("{b:02x}")).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::testing::head;

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
            rescued: None,
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
