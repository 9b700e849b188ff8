//! `notes.json`: what people say of a closed session afterwards. It lies beside `session.json`, stays editable,
//! and is the only file of a session that ever changes.

mod edit;
mod rules;

use std::collections::BTreeMap;
use std::fs::File;
use std::io::Read;
use std::path::Path;

use model::Problem;
use schemars::JsonSchema;
use schemars::generate::SchemaSettings;
use serde::{Deserialize, Serialize};

use crate::layout::NOTES;
use crate::problem::{damaged, on_disk};

pub use edit::edit_notes;
#[cfg(test)]
use rules::{LONGEST_KEY, LONGEST_NOTE, LONGEST_VALUE, MOST_TAGS};
pub use rules::{check_note, check_tag};

/// Version of `notes.json`. Raised when a reader of the old form would misread the new.
pub(crate) const NOTES_VERSION: u16 = 1;

/// A longer file than this is none that was written here.
pub(crate) const LONGEST_FILE: u64 = 8 << 20;

const CURE: &str = "mend it by hand, restore it from a copy, or remove it: the session itself is untouched";

/// A note.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Note {
    /// When it was written: UTC in nanoseconds since 1970-01-01T00:00:00Z.
    pub utc_nanos: i64,
    /// What it says: 1 to 4096 bytes, without control characters but line breaks and tabs.
    pub text: String,
}

/// What people say of a closed session afterwards.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Notes {
    /// Version of this form: 1.
    pub schema: u16,
    /// Tags that were added, changed, or (null) removed since the session was recorded. A key has 1 to 64 bytes
    /// without '=' and control characters, a value at most 1024 bytes; at most 100 keys.
    #[serde(default)]
    pub tags: BTreeMap<String, Option<String>>,
    /// Notes, in the order in which they were written; at most 1000.
    #[serde(default)]
    pub notes: Vec<Note>,
    /// What is to be added to every UTC of the session, in nanoseconds, where the computer's clock was wrong.
    #[serde(default)]
    pub date_correction_ns: i64,
    /// Whether no limit of the archive may remove the session.
    #[serde(default)]
    pub keep: bool,
}

impl Default for Notes {
    fn default() -> Self {
        Self {
            schema: NOTES_VERSION,
            tags: BTreeMap::new(),
            notes: Vec::new(),
            date_correction_ns: 0,
            keep: false,
        }
    }
}

impl Notes {
    /// Tags as they stand now, for a session that was recorded with these.
    pub fn tags_over(&self, recorded: &BTreeMap<String, String>) -> BTreeMap<String, String> {
        let mut tags = recorded.clone();
        for (key, value) in &self.tags {
            match value {
                Some(value) => tags.insert(key.clone(), value.clone()),
                None => tags.remove(key),
            };
        }
        tags
    }

    /// Sets a tag. One that says what was recorded anyway is not kept twice.
    pub fn set_tag(&mut self, key: &str, value: &str, recorded: &BTreeMap<String, String>) {
        if recorded.get(key).is_some_and(|known| known == value) {
            self.tags.remove(key);
        } else {
            self.tags.insert(key.into(), Some(value.into()));
        }
    }

    /// Removes a tag; says whether there was one.
    pub fn remove_tag(&mut self, key: &str, recorded: &BTreeMap<String, String>) -> bool {
        let there = self.tags_over(recorded).contains_key(key);
        if recorded.contains_key(key) {
            self.tags.insert(key.into(), None);
        } else {
            self.tags.remove(key);
        }
        there
    }

    /// A UTC of the session as it is corrected; saturates at the ends of 64-bit nanoseconds.
    pub fn corrected(&self, utc_nanos: i64) -> i64 {
        utc_nanos.saturating_add(self.date_correction_ns)
    }

    /// Reads `notes.json` from its bytes and refuses what would not have been written.
    pub(crate) fn from_bytes(bytes: &[u8], path: &Path) -> Result<Self, Problem> {
        #[derive(Deserialize)]
        struct Version {
            schema: u16,
        }
        let newer = |version: u16| {
            let seen = format!("it is of version {version}, newer than this program knows");
            damaged(path, seen, "read it with a newer version of this program")
        };
        // A newer file may have fields that this program does not know: its version is the better answer.
        match serde_json::from_slice::<Version>(bytes) {
            Ok(Version { schema }) if schema > NOTES_VERSION => return Err(newer(schema)),
            Ok(Version { schema: 0 }) => return Err(damaged(path, "there is no version 0 of it", CURE)),
            _ => {}
        }
        let notes: Self = serde_json::from_slice(bytes)
            .map_err(|e| damaged(path, format!("it is not the notes of a session: {e}"), CURE))?;
        rules::check(&notes).map_err(|why| damaged(path, why.seen, CURE))?;
        Ok(notes)
    }

    /// The bytes of `notes.json`; refused where they would not be read back.
    pub(crate) fn to_bytes(&self, path: &Path) -> Result<Vec<u8>, Problem> {
        rules::check(self)?;
        let mut bytes = serde_json::to_vec_pretty(self)
            .map_err(|e| damaged(path, format!("it cannot be written: {e}"), ""))?;
        bytes.push(b'\n');
        if bytes.len() as u64 > LONGEST_FILE {
            let seen = format!("it would be longer than {LONGEST_FILE} bytes");
            return Err(damaged(path, seen, "shorten the notes"));
        }
        Ok(bytes)
    }
}

/// The notes of a closed session; those of a session that nobody has said anything of are empty. The folder is
/// not checked to be a session's.
pub fn read_notes(folder: &Path) -> Result<Notes, Problem> {
    let path = folder.join(NOTES);
    let file = match File::open(&path) {
        Ok(file) => file,
        Err(e) if e.kind() == std::io::ErrorKind::NotFound => return Ok(Notes::default()),
        Err(e) => return Err(on_disk(&path, "reading the notes", &e)),
    };
    let mut bytes = Vec::new();
    file.take(LONGEST_FILE + 1)
        .read_to_end(&mut bytes)
        .map_err(|e| on_disk(&path, "reading the notes", &e))?;
    if bytes.len() as u64 > LONGEST_FILE {
        return Err(damaged(&path, format!("it is longer than {LONGEST_FILE} bytes"), CURE));
    }
    Notes::from_bytes(&bytes, &path)
}

/// The JSON Schema (draft 2020-12) of `notes.json`.
pub fn notes_schema() -> serde_json::Value {
    let mut schema = SchemaSettings::draft2020_12().into_generator().into_root_schema_for::<Notes>();
    schema.insert("title".into(), "What people say of a session afterwards: notes.json".into());
    schema.to_value()
}

#[cfg(test)]
mod tests;
