//! From an error inside this room to a problem its reader can mend.

use std::io;
use std::path::Path;

use model::{Place, Problem, ProblemKind};

/// A place on disk.
pub(crate) fn place(path: &Path) -> Place {
    Place::Path { path: path.display().to_string() }
}

/// The disk refused something.
pub(crate) fn on_disk(path: &Path, doing: &str, error: &io::Error) -> Problem {
    let cure = match error.kind() {
        io::ErrorKind::StorageFull => "make room on the disk, or choose another archive folder",
        io::ErrorKind::PermissionDenied => {
            "give this user the right to write there, or choose another archive folder"
        }
        io::ErrorKind::NotFound => "check that the folder exists and its disk is attached",
        io::ErrorKind::AlreadyExists | io::ErrorKind::NotADirectory => {
            "something else lies where a file or folder of the archive must be: move it away, or choose another archive folder"
        }
        io::ErrorKind::InvalidInput => "links within an archive are not followed: put the file itself there",
        io::ErrorKind::ReadOnlyFilesystem => "the disk is mounted read-only: choose another archive folder",
        _ => "check the disk; what was synced before stays and is recovered at the next start",
    };
    Problem::new(ProblemKind::Record, place(path), format!("{doing} failed: {error}"), cure)
}

/// Something on disk is not what it should be.
pub(crate) fn damaged(path: &Path, seen: impl Into<String>, cure: impl Into<String>) -> Problem {
    Problem::new(ProblemKind::Record, place(path), seen, cure)
}

/// A value given by the caller cannot be used.
pub(crate) fn argument(name: &str, seen: impl Into<String>, cure: impl Into<String>) -> Problem {
    Problem::new(ProblemKind::Argument, Place::Argument { name: name.into() }, seen, cure)
}
