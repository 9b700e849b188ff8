//! Worlds for whole-program tests: a bench car, an archive in a temporary folder, a script, and hands to put
//! into a run.

pub mod sabotage;
pub mod world;

pub use sabotage::{Harm, Saboteur};
pub use world::{Bench, Paper};
