//! What the data point to.
//!
//! The rules are data: a TOML file names causes, the notes of a run's notebook that speak for or against
//! each, and what to test next. Each note is judged by the same judge and with the same four words as a
//! gate ([`signal::verdict::Target`]), so a value whose 95 % interval straddles an edge counts half, and
//! one that is missing counts nothing.
//!
//! [`Rules::load`] tells every mistake of a file at once; [`judge`] and [`words`] are pure.

mod judge;
mod read;
mod rules;
mod schema;
mod shape;
mod source;
mod words;

pub use judge::{SetupLevel, judge};
pub use rules::Rules;
pub use schema::json_schema;
pub use words::words;

#[cfg(test)]
mod tests;
