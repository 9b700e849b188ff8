//! From text to a JSON value with the place of every key, and the check of its structure.

pub(crate) mod expected;
pub(crate) mod findings;
pub(crate) mod schema;
pub(crate) mod source;
pub(crate) mod structure;
