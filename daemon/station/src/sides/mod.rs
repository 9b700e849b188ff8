//! The driver's other sides, served by the rooms that do the work.

pub mod facts;
pub mod ground;
pub mod ledger;
pub mod screen;
pub mod tape;
