//! The driver's other sides, served by the rooms that do the work.

pub mod beside;
pub mod facts;
pub mod ledger;
pub mod person;
pub mod screen;
pub mod tape;
pub mod typed;
