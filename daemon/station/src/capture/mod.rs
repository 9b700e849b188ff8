//! Capturing without a procedure: what is read from the car, kept in sessions.
//!
//! The driver hands everything to a tape (`tape`), behind which one keeper decides what is kept and where
//! (`keeper`): nothing before the gate that starts it, parts of a series by time or size (`series`), or rolling segments
//! out of which minutes around a trigger are kept (`rolling`, `promise`, `promote`). In real time the keeper has a
//! thread of its own, and closing and copying have another (`archivist`), so that neither the wire nor the syncs wait
//! for them; in a rehearsal all of it happens where it is called, while the clock stands still.

mod archivist;
mod end;
mod expression;
mod keep_gate;
mod keeper;
mod plan;
mod promise;
mod promote;
mod real;
mod recover;
#[cfg(feature = "bench-car")]
mod rehearsal;
mod rolling;
mod series;
mod shelf;
mod status;
mod tape;
#[cfg(test)]
mod testing;
mod voice;

pub use end::{CaptureEnded, print};
pub(crate) use expression::{FOR_EVER, gate};
pub use plan::{CapturePlan, NamedGate, RollingPlan};
pub use real::{CaptureParts, real};
pub use recover::recover_rolling;
#[cfg(feature = "bench-car")]
pub use rehearsal::rehearse;
