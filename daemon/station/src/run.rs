//! One run of a procedure: session, recorder, ledger, script thread and driver, from start to end.

mod end;
mod plan;
mod real;
mod rehearsal;
mod script;
mod session;

pub use end::{Ended, print};
pub use plan::{AskDriver, Hooks, Plan, WrapAsk, WrapTransport};
pub use real::{RealParts, real};
pub use rehearsal::{REHEARSAL_UTC, rehearse};
