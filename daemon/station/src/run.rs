//! One run of a procedure: session, recorder, ledger, script thread and driver, from start to end.

mod about;
mod end;
mod left;
mod plan;
mod real;
#[cfg(feature = "bench-car")]
mod rehearsal;
mod script;
mod session;

pub use about::About;
pub use end::{Ended, print};
pub(crate) use left::{Left, recover};
pub use plan::{AskDriver, Hooks, Plan, WrapAsk, WrapTransport};
pub use real::{RealParts, real};
#[cfg(feature = "bench-car")]
pub(crate) use rehearsal::SYNC_EVERY;
#[cfg(feature = "bench-car")]
pub use rehearsal::{REHEARSAL_UTC, rehearse};
