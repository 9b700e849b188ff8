//! Transports, and the driver that joins a transport to the wire's machines: the only owner of the wire.
//!
//! The driver takes commands from one script through a strict hand-off, turns answers into samples, judges
//! gates, guards and drop conditions on every one of them, and hands samples and events on to whoever records
//! and shows them. It never waits for any of these.

mod board;
mod catch;
mod config;
mod driver;
mod journal;
mod sides;
mod times;
pub mod transport;

pub use board::Board;
pub use config::{facts, shortest_exchanges};
pub use driver::{Driver, DriverParts, Patience, RunEnd};
pub use sides::{Intent, Ledger, Live, Operator, Sink, Viewer};
pub use times::WireTimes;
