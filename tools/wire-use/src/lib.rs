//! How much of the wire the driver uses: exchanges counted on the line of the bench car, against the most that
//! the timing in force allows.
//!
//! The real driver runs on a rehearsal clock, so that no timer of a machine stands between it and the wire: what
//! is missing here is the program's own doing, the same on every machine. The limit of an exchange is
//! `Nq Tb + (Nq-1) P4 + P2 + Nr Tb + (Nr-1) P1 + P3` with `Tb = 10 / baud` (ISO 14230-2, clause 4.3). Nq, P4 and
//! P3 are what the timing in force asks of this side at the least; Nr, P2 and P1 are what the controller really
//! did, read in its own log: its delays are not this side's to save.
//!
//! The twin of that measurement ([`measure_real`]) runs the same cases in real time over a pseudo-terminal: what is lost
//! there beside the rehearsal is the machine's timers and threads.

mod case;
mod exchanges;
mod page;
mod real;
mod run;
mod script;
mod stand_ins;
mod timer;

pub use case::{Case, Gaps};
pub use exchanges::{Exchange, Measured, exchanges, measured};
pub use page::{page, real_table, table};
pub use real::{Real, measure_real};
pub use run::{MeasureError, measure, measure_for};
pub use timer::{Busy, plain_sleeps};
