//! Controller descriptions: what one engine controller can be asked, how its answers are read, which outputs
//! can be held, and the set-up values of its car.
//!
//! A description is a TOML file of the car's owner. [`load`] takes it through three forms: raw (as written),
//! checked (against the JSON Schema, then against itself), resolved ([`Description`]: nothing missing, nothing
//! out of range). Every mistake is told at once, each with its line, its key, what was seen and the cure.

mod check;
mod load;
mod raw;
mod read;
mod resolved;
mod words;

pub use load::load;
pub use read::schema::{json_schema, json_schema_text};
pub use resolved::channel::{Channel, Encoding, Reading};
pub use resolved::description::Description;
pub use resolved::link::{ControllerTimeout, Iso14230, Link, Protocol, SingleByte, Timing};
pub use resolved::output::{AnswerForm, Confirm, Output, OutputError, OutputState, Report};
pub use resolved::request::{DecodeError, ReadRequest};
pub use resolved::setup::{SetupAmount, SetupValue};
pub use words::{Addressing, Dialect, Echo, HeaderForm, Rounding, Wakeup};

#[cfg(test)]
mod tests;
