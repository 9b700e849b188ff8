//! The one judge of conditions and gates.
//!
//! Drive contract: feed every sample with `sample`, tell of the link with `link`, and ask at the latest when
//! `deadline` has come. A judgement is made on readings alone; time without readings only ever makes it
//! *unknown*, and unknown never passes.

mod build;
mod condition;
mod dwell;
mod facts;
mod gate;
mod leaf;
mod words;

pub use condition::ConditionJudge;
pub use facts::{ChannelFact, ChannelFacts, GateError};
pub use gate::GateJudge;
