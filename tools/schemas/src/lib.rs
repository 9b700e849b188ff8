//! Everything in `schemas/` that is made from the code: JSON Schemas of controller descriptions, of
//! the vocabulary, of the rules of findings and of a session's files, and the declared tables.
//!
//! They are committed because people, editors and other programs read them; they are compared because a file
//! that has drifted from the code is worse than none.

mod files;
mod vocabulary;

pub use files::{Drift, Generated, SchemaError, compare, generated, write};
pub use vocabulary::{
    commands_schema_text, events_schema_text, finding_rules_schema_text, notes_schema_text,
    session_schema_text,
};

/// How the files are made anew.
pub const CURE: &str = "run `cargo run --release -p holdgate-schemas` and commit what changed";
