//! The words all rooms share.
//!
//! Nothing here reads time, waits, draws random numbers or touches a file. Serialised forms are versioned
//! by [`SCHEMA_VERSION`] and described by JSON Schemas in `schemas/`, which a test compares with the types.

pub mod cause;
pub mod command;
pub mod ending;
pub mod event;
pub mod exchange;
pub mod gate;
pub mod id;
pub mod job;
pub mod judgement;
pub mod nearest;
pub mod problem;
pub mod quantity;
pub mod sample;
pub mod time;
pub mod uncertainty;
pub mod unit;

/// Version of every serialised form in this room. Raised when a reader of the old form would misread the new.
pub const SCHEMA_VERSION: u16 = 1;

pub use cause::{Cause, Evidence, Grade, Speaks};
pub use command::{Command, CommandEnvelope, Reply, TracePoint, Wanted};
pub use ending::Ending;
pub use event::{Event, EventEnvelope};
pub use exchange::Exchange;
pub use gate::{Condition, Demand, Gate, Watch};
pub use id::{ChannelId, IdError, OutputId, SessionId, StationId, StepId};
pub use job::Job;
pub use judgement::{Estimate, Judgement, Word};
pub use nearest::nearest;
pub use problem::{Place, Problem, ProblemKind};
pub use quantity::Quantity;
pub use sample::{Gap, GapReason, Quality, Sample};
pub use time::{Moment, Span};
pub use uncertainty::Uncertainty;
pub use unit::{Unit, UnitError};
