//! The station: command line, configuration, wiring, shutdown.
//!
//! It is a library as well as the program so that whole-program tests can put their own hands on the wire.

pub mod adapter;
mod amount;
#[cfg(feature = "bench-car")]
pub mod bench;
pub mod capture;
pub mod command;
pub mod consent;
pub mod load;
pub mod port;
pub mod run;
pub mod sides;
