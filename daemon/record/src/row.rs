//! A row of the table of samples.

use model::{ChannelId, Gap, Moment, Sample, Span};

/// A row of the table of samples.
#[derive(Debug, Clone, PartialEq)]
pub enum Row {
    /// A reading.
    Sample(Sample),
    /// A reading that was asked for and did not come.
    Gap(Gap),
}

impl Row {
    /// Whose row it is.
    pub fn channel(&self) -> &ChannelId {
        match self {
            Self::Sample(sample) => &sample.channel,
            Self::Gap(gap) => &gap.channel,
        }
    }

    /// When: the middle of the interval that it stands for.
    pub fn at(&self) -> Moment {
        match self {
            Self::Sample(sample) => sample.at,
            Self::Gap(gap) => gap.at,
        }
    }

    /// Half of that interval.
    pub fn half(&self) -> Span {
        match self {
            Self::Sample(sample) => sample.time_uncertainty,
            Self::Gap(gap) => gap.half,
        }
    }

    /// The reading, where it is one.
    pub fn into_sample(self) -> Option<Sample> {
        match self {
            Self::Sample(sample) => Some(sample),
            Self::Gap(_) => None,
        }
    }
}
