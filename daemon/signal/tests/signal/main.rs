//! Checks of the signal room against the outside: NIST's reference data, worked examples, known responses,
//! and properties that must hold for any input.

#![allow(clippy::unwrap_used, reason = "helpers of tests may fail as tests do")]

mod conditions;
mod coverage;
mod gates;
mod nist;
mod properties;
mod settling;
mod world;
