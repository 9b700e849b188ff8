//! What a stream of readings says, and how sure it is.
//!
//! Streaming statistics, the uncertainty of a window's mean after the GUM (JCGM 100:2008, JCGM 101:2008),
//! settling, and the one judge of gates. Everything here is pure: time comes in as an argument, nothing is
//! read, waited for or drawn at random, so the same readings give the same words.
//!
//! Clauses and tables of the GUM, of JCGM 101 and of Cao and Rhinehart (1995) are cited from memory throughout;
//! NIST's data sets and the Theil-Sen examples were read, and stand in `tests/published`.
//!
//! From the ground up: [`stats`] summarises readings, [`interval`] gives the 95 % interval of their mean,
//! [`settle`] says how they move, [`verdict`] compares an interval with a target, and [`judge`] joins these
//! into gates.

pub mod interval;
pub mod judge;
pub mod rise;
pub mod settle;
pub mod stats;
pub mod verdict;

pub use interval::MeanInterval;
pub use judge::{ChannelFact, ChannelFacts, ConditionJudge, GateError, GateJudge};
pub use stats::{Reading, Summary, Window};
pub use verdict::Verdict;
