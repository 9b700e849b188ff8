//! Worlds for whole-program tests: a bench car, an archive in a temporary folder, a script, and hands to put
//! into a run.

#[cfg(unix)]
pub mod garage;
pub mod sabotage;
pub mod world;

use std::io::Write;

/// Writes a line that is shown whether or not the test passes: the harness keeps back what `println!` writes.
pub fn report(text: &str) {
    // A closed pipe is no fault of the test.
    writeln!(std::io::stdout(), "{text}").ok();
}

pub use sabotage::{Harm, Saboteur};
pub use world::{Bench, Paper};
