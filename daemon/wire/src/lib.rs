//! Wire protocols as state machines without input or output, the exchange schedule, and holds as deadlines.
//!
//! Nothing here reads time or touches a port: time is an argument, bytes come in and go out. The contract of
//! every machine: after each call that changes it, drain `poll_transmit` and `poll_event` until both are
//! empty, then wait until bytes arrive or `deadline` passes, and say so with `bytes` or `timeout`.

pub mod conductor;
pub mod deadline;
pub mod dialect;
pub mod frame;
pub mod hold;
pub mod kline;
mod patience;
pub mod schedule;
pub mod service;
pub mod single;

pub use deadline::{Deadline, Reason};
