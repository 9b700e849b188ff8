//! Runs a procedure against many bench cars: a range of seeds, healthy and with each of a list of faults, and
//! tells in a table how the runs ended.
//!
//! One seed shows that a procedure can pass. Many show that it passes on every healthy car it was made for,
//! and what it says of those that are not.

mod case;
mod crew;
mod page;
mod run;
mod tally;
mod truth;

pub use case::{Case, CaseFault, SeedRange, Severity, every_fault};
pub use crew::run_all;
pub use page::{causes_table, page, table, truth_table};
pub use run::{Setup, Verdict};
pub use tally::{Row, rows};
pub use truth::Truth;

/// A result that breaks what is promised: a healthy car that does not pass, a run that could not be carried
/// out, an output that is held after the end.
pub fn broken(rows: &[Row]) -> Vec<String> {
    rows.iter().flat_map(Row::broken).collect()
}
