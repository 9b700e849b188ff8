//! The generated files: written, or compared with what is committed.

use std::collections::BTreeSet;
use std::ffi::OsStr;
use std::io::ErrorKind;
use std::path::{Path, PathBuf};

use crate::vocabulary::{
    commands_schema_text, events_schema_text, finding_rules_schema_text, notes_schema_text,
    session_schema_text,
};

/// A file as the code makes it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Generated {
    /// Its path below `schemas/`.
    pub path: String,
    /// Its text.
    pub text: String,
}

/// Why files could not be written or compared.
#[derive(Debug, thiserror::Error)]
#[error("{path}: {error}: check the folder and its permissions", path = path.display())]
pub struct SchemaError {
    /// Which file or folder.
    pub path: PathBuf,
    /// What the system said.
    pub error: std::io::Error,
}

/// How a committed file differs from what the code makes.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Drift {
    /// It is not there.
    Missing {
        /// Its path below `schemas/`.
        path: String,
    },
    /// It says something else, from this line on (counted from 1).
    Changed {
        /// Its path below `schemas/`.
        path: String,
        /// The first line that differs.
        line: usize,
    },
    /// A table is declared that nothing writes any more.
    Left {
        /// Its path below `schemas/`.
        path: String,
    },
}

impl std::fmt::Display for Drift {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Self::Missing { path } => write!(f, "schemas/{path} is not there"),
            Self::Changed { path, line } => {
                write!(f, "schemas/{path} differs from the code from line {line} on")
            }
            Self::Left { path } => {
                write!(f, "schemas/{path} declares a table that nothing writes: remove it")
            }
        }
    }
}

/// Every generated file, in the order of their paths.
pub fn generated() -> Vec<Generated> {
    let file = |path: &str, text: String| Generated { path: path.to_string(), text };
    let openapi =
        serde_json::to_string_pretty(&service::openapi()).expect("a value of texts and numbers is JSON");
    let mut files = vec![
        file("api/openapi.json", openapi + "\n"),
        file("car-description.schema.json", car::json_schema_text()),
        file("commands.schema.json", commands_schema_text()),
        file("events.schema.json", events_schema_text()),
        file("finding-rules.schema.json", finding_rules_schema_text()),
        file("notes.schema.json", notes_schema_text()),
        file("session.schema.json", session_schema_text()),
    ];
    let tables = record::declared_tables().into_iter();
    files.extend(tables.map(|table| file(&format!("tables/{}.json", table.name), table.json)));
    files.sort_by(|a, b| a.path.cmp(&b.path));
    files
}

/// Writes every file below `schemas`, and gives back the paths of those that changed.
pub fn write(schemas: &Path, files: &[Generated]) -> Result<Vec<String>, SchemaError> {
    let mut changed = Vec::new();
    for file in files {
        let path = schemas.join(&file.path);
        if read(&path)?.as_deref() == Some(file.text.as_bytes()) {
            continue;
        }
        let error = |error| SchemaError { path: path.clone(), error };
        if let Some(folder) = path.parent() {
            std::fs::create_dir_all(folder).map_err(error)?;
        }
        std::fs::write(&path, &file.text).map_err(error)?;
        changed.push(file.path.clone());
    }
    Ok(changed)
}

/// Compares every file with what lies below `schemas`.
pub fn compare(schemas: &Path, files: &[Generated]) -> Result<Vec<Drift>, SchemaError> {
    let mut drifts = Vec::new();
    for file in files {
        let path = file.path.clone();
        match read(&schemas.join(&file.path))? {
            None => drifts.push(Drift::Missing { path }),
            Some(committed) if committed != file.text.as_bytes() => {
                drifts
                    .push(Drift::Changed { path, line: first_difference(&committed, file.text.as_bytes()) });
            }
            Some(_) => {}
        }
    }
    drifts.extend(left_over(schemas, files)?);
    Ok(drifts)
}

fn read(path: &Path) -> Result<Option<Vec<u8>>, SchemaError> {
    match std::fs::read(path) {
        Ok(bytes) => Ok(Some(bytes)),
        Err(error) if error.kind() == ErrorKind::NotFound => Ok(None),
        Err(error) => Err(SchemaError { path: path.to_path_buf(), error }),
    }
}

/// The line, from 1, in which two different texts begin to differ.
fn first_difference(one: &[u8], other: &[u8]) -> usize {
    let same = one.iter().zip(other).take_while(|(a, b)| a == b).count();
    one[..same].iter().filter(|byte| **byte == b'\n').count() + 1
}

/// Declarations of tables that are no longer made.
fn left_over(schemas: &Path, files: &[Generated]) -> Result<Vec<Drift>, SchemaError> {
    let folder = schemas.join("tables");
    let error = |error| SchemaError { path: folder.clone(), error };
    let entries = match std::fs::read_dir(&folder) {
        Ok(entries) => entries,
        Err(e) if e.kind() == ErrorKind::NotFound => return Ok(Vec::new()),
        Err(e) => return Err(error(e)),
    };
    let mut left = BTreeSet::new();
    for entry in entries {
        let path = entry.map_err(error)?.path();
        let name = path.file_name().and_then(OsStr::to_str).unwrap_or_default();
        let path = format!("tables/{name}");
        if name.ends_with(".json") && !files.iter().any(|file| file.path == path) {
            left.insert(path);
        }
    }
    Ok(left.into_iter().map(|path| Drift::Left { path }).collect())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::CURE;

    fn file(path: &str, text: &str) -> Generated {
        Generated { path: path.into(), text: text.into() }
    }

    #[test]
    fn the_committed_files_are_what_the_code_makes() {
        let schemas = Path::new(env!("CARGO_MANIFEST_DIR")).join("../../schemas");
        let drifts = compare(&schemas, &generated()).expect("schemas/ can be read");
        let told: Vec<String> = drifts.iter().map(ToString::to_string).collect();
        assert!(told.is_empty(), "{}: {CURE}", told.join("; "));
    }

    #[test]
    fn the_same_code_makes_the_same_bytes_and_ends_its_lines() {
        let files = generated();
        assert_eq!(files, generated());
        assert!(files.len() >= 5, "{files:?}");
        for file in files {
            assert!(file.text.ends_with("}\n") && !file.text.ends_with("\n\n"), "{}", file.path);
            let value: serde_json::Value = serde_json::from_str(&file.text).expect("it is JSON");
            assert!(value.is_object(), "{}", file.path);
        }
    }

    #[test]
    fn every_drift_is_told() {
        let folder = tempfile::tempdir().unwrap();
        let files = [file("a.json", "1\n2\n3\n"), file("tables/b.json", "x\n")];
        let missing = compare(folder.path(), &files).unwrap();
        assert!(matches!(missing.as_slice(), [Drift::Missing { .. }, Drift::Missing { .. }]), "{missing:?}");

        assert_eq!(write(folder.path(), &files).unwrap(), ["a.json", "tables/b.json"]);
        assert_eq!(compare(folder.path(), &files).unwrap(), []);
        assert_eq!(write(folder.path(), &files).unwrap(), Vec::<String>::new());

        std::fs::write(folder.path().join("a.json"), "1\n2\n4\n").unwrap();
        std::fs::write(folder.path().join("tables/old.json"), "{}\n").unwrap();
        let drifts = compare(folder.path(), &files).unwrap();
        let expected = [
            Drift::Changed { path: "a.json".into(), line: 3 },
            Drift::Left { path: "tables/old.json".into() },
        ];
        assert_eq!(drifts, expected);
        assert!(drifts[0].to_string().contains("line 3"));
    }

    #[test]
    fn a_folder_in_the_place_of_a_file_is_an_error() {
        let folder = tempfile::tempdir().unwrap();
        std::fs::create_dir(folder.path().join("a.json")).unwrap();
        assert!(compare(folder.path(), &[file("a.json", "1\n")]).is_err());
    }
}
