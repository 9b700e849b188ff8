//! What a recorded session says: a summary in plain words, one measurement compared between two sessions, and
//! what the data point to.

mod channels;
mod compare;
pub mod findings;
mod said;
mod summary;
mod words;

pub use channels::ChannelSummary;
pub use compare::{Change, Comparison, SharedPart, Side, compare};
pub use said::{Saying, said};
pub use summary::{GateSummary, HoldSummary, MeasurementSummary, StepEnd, StepSummary, Summary, summarise};

#[cfg(test)]
mod testing;
