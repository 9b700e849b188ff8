//! What the commands that begin a session have in common.

use std::collections::BTreeMap;
use std::path::Path;

use model::event::NoteValue;
use model::{Event, Place, Problem, ProblemKind};

/// A session that another one follows.
pub(super) struct Followed {
    session: String,
    car: String,
    /// Its notes, each under `earlier:` and its own key.
    pub(super) notes: BTreeMap<String, NoteValue>,
}

impl Followed {
    /// Names it in the tags of a session of a car; refused for a session of another one.
    pub(super) fn tag(&self, car: &str, tags: &mut BTreeMap<String, String>) -> Result<(), Problem> {
        if self.car != car {
            let seen = format!("that session is of the car '{}'", self.car);
            return Err(argument("--follows", seen, "name a session of this car"));
        }
        tags.insert("follows".into(), self.session.clone());
        Ok(())
    }

    /// Reads it.
    pub(super) fn read(path: &Path) -> Result<Self, Problem> {
        let session = record::read_session(path)?;
        let noted = session.events.iter().filter_map(|envelope| match &envelope.event {
            Event::Noted { key, value } => Some((format!("earlier:{key}"), value.clone())),
            _ => None,
        });
        // Later notes under one key stand for it.
        let notes = noted.collect();
        Ok(Self { session: session.head().session.to_string(), car: session.head().car.clone(), notes })
    }
}

/// Tags as `KEY=VALUE`.
pub(super) fn tags(texts: &[String], problems: &mut Vec<Problem>) -> BTreeMap<String, String> {
    let mut tags = BTreeMap::new();
    for text in texts {
        match text.split_once('=') {
            Some((key, value)) if !key.trim().is_empty() => {
                problems.extend(record::check_tag(key.trim(), value).err());
                tags.insert(key.trim().to_string(), value.to_string());
            }
            _ => problems.push(argument(
                "--tag",
                format!("'{text}' is not KEY=VALUE"),
                "write for example --tag fuel=e10",
            )),
        }
    }
    tags
}

/// A mistake in an argument.
pub(super) fn argument(name: &str, seen: String, cure: &str) -> Problem {
    Problem::new(ProblemKind::Argument, Place::Argument { name: name.into() }, seen, cure)
}
