//! One run of a procedure: session, recorder, ledger, script thread and driver, from start to end.

mod end;
mod plan;
mod real;
#[cfg(feature = "bench-car")]
mod rehearsal;
mod script;
mod session;

pub use end::{Ended, print};
pub use plan::{AskDriver, Hooks, Plan, WrapAsk, WrapTransport};
pub use real::{RealParts, real};
#[cfg(feature = "bench-car")]
pub use rehearsal::{REHEARSAL_UTC, rehearse};
