//! What a recorded session says: a summary in plain words, and one measurement compared between two sessions.

mod channels;
mod compare;
mod summary;
mod words;

pub use channels::ChannelSummary;
pub use compare::{Change, Comparison, SharedPart, Side, compare};
pub use summary::{GateSummary, HoldSummary, MeasurementSummary, StepEnd, StepSummary, Summary, summarise};

#[cfg(test)]
mod testing;
