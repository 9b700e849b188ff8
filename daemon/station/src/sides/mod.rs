//! The driver's other sides, served by the rooms that do the work.

pub mod beside;
pub mod big;
#[cfg(unix)]
pub mod distant;
pub mod facts;
pub mod ground;
pub mod ledger;
pub mod missed;
pub mod person;
pub mod pulse;
pub mod readout;
pub mod said;
pub mod screen;
pub mod tape;
pub mod typed;
pub mod unrecorded;
