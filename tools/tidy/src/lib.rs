//! The rules that hold the house together, as checks over data: which room may use which, and what no source
//! may say.
//!
//! Each check takes what it judges as an argument and gives back what it found, so that its own tests can
//! show it a bad example. `tests/tidy.rs` shows them the repository itself.

mod blank;
mod docs;
mod house;
mod length;
mod manifest;
mod std_use;
mod top_level;
mod unsafe_code;
mod waiting;
mod words;

pub use blank::blank;
pub use docs::room_without_words;
pub use house::{HOUSE, Package, Room, Uses, documented, outside_in_pure_rooms, room_uses};
pub use length::{LONG, TOO_LONG, long_files, too_long_files};
pub use manifest::manifests;
pub use std_use::system_in_pure_rooms;
pub use top_level::top_level;
pub use unsafe_code::unsafe_outside_os;
pub use waiting::{ignored_tests, unordered_select};
pub use words::{lock_sources, words};

/// A file of the repository.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Source {
    /// Its path from the top, with `/`.
    pub path: String,
    /// Its text.
    pub text: String,
}

impl Source {
    /// A file of this path and text.
    pub fn new(path: impl Into<String>, text: impl Into<String>) -> Self {
        Self { path: path.into(), text: text.into() }
    }

    /// Whether it is a file of Rust.
    pub fn is_rust(&self) -> bool {
        self.path.ends_with(".rs")
    }

    /// Whether it lies in a folder, given without a last `/`.
    pub fn is_in(&self, folder: &str) -> bool {
        self.path.strip_prefix(folder).is_some_and(|rest| rest.starts_with('/'))
    }
}

/// A broken rule: where, and what to do.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Finding {
    /// The file, the package or the name at fault.
    pub place: String,
    /// The line in the file, from 1, where there is one.
    pub line: Option<usize>,
    /// What is wrong, and the cure.
    pub words: String,
}

impl Finding {
    /// Something wrong with a whole file or package.
    pub fn new(place: impl Into<String>, words: impl Into<String>) -> Self {
        Self { place: place.into(), line: None, words: words.into() }
    }

    /// Something wrong in the line that holds byte `at` of `text`.
    fn at(place: &str, text: &str, at: usize, words: impl Into<String>) -> Self {
        let line = text.as_bytes()[..at].iter().filter(|byte| **byte == b'\n').count() + 1;
        Self { place: place.into(), line: Some(line), words: words.into() }
    }
}

impl std::fmt::Display for Finding {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self.line {
            Some(line) => write!(f, "{}:{line}: {}", self.place, self.words),
            None => write!(f, "{}: {}", self.place, self.words),
        }
    }
}

/// Where a word stands in a text, on its own and not as part of a longer one.
fn word_places<'t>(text: &'t str, word: &'t str) -> impl Iterator<Item = usize> + 't {
    let part = |c: char| c.is_alphanumeric() || c == '_';
    text.match_indices(word).map(|(at, _)| at).filter(move |at| {
        !text[..*at].chars().next_back().is_some_and(part)
            && !text[at + word.len()..].chars().next().is_some_and(part)
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_word_is_found_on_its_own_only() {
        assert_eq!(
            word_places("unsafe unsafe_code x_unsafe (unsafe)", "unsafe").collect::<Vec<_>>(),
            [0, 29]
        );
    }

    #[test]
    fn a_finding_names_its_line() {
        let finding = Finding::at("a.rs", "one\ntwo\nthree", 8, "wrong");
        assert_eq!(finding.to_string(), "a.rs:3: wrong");
    }
}
