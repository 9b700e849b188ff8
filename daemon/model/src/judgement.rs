//! What a judge says of a window of readings.

use std::fmt;

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::{ChannelId, Span, Unit};

/// The four words of a judgement.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Word {
    /// The 95 % interval lies inside.
    Proven,
    /// The estimate lies inside; the interval straddles an edge.
    Inside,
    /// The estimate lies outside.
    Outside,
    /// Stale, link down, too few samples, or not a number.
    Unknown,
}

impl fmt::Display for Word {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(match self {
            Self::Proven => "proven",
            Self::Inside => "inside",
            Self::Outside => "outside",
            Self::Unknown => "unknown",
        })
    }
}

/// An estimate with its 95 % interval.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Estimate {
    /// The estimate.
    pub value: f64,
    /// Lower end of the 95 % interval.
    pub low: f64,
    /// Upper end of the 95 % interval.
    pub high: f64,
    /// Unit of all three.
    pub unit: Unit,
}

impl Estimate {
    /// Half the width of the interval.
    pub fn half_width(&self) -> f64 {
        (self.high - self.low) / 2.0
    }

    /// How many decimals may be printed: none finer than the uncertainty's second digit (JCGM 100:2008, 7.2.6,
    /// from memory).
    pub fn decimals(&self) -> usize {
        let half = self.half_width();
        let known = half > 0.0 && half.is_finite();
        if known { (1.0 - half.log10().floor()).clamp(0.0, 9.0) as usize } else { 3 }
    }
}

impl fmt::Display for Estimate {
    /// `72.4 ± 0.9 °C`.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let digits = self.decimals();
        write!(f, "{:.*} ± {:.*} {}", digits, self.value, digits, self.half_width(), self.unit.print())
    }
}

/// What the judge says of one watched channel: enough for a person, a page and a record.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Finding {
    /// The channel.
    pub channel: ChannelId,
    /// The word.
    pub word: Word,
    /// Value and interval, where there are enough readings.
    pub estimate: Option<Estimate>,
    /// The target in words: `above 75 Cel`.
    pub target: String,
    /// How far the estimate is from the target, in the channel's unit; positive means it must rise, negative
    /// that it must fall, zero that it is there.
    pub gap: Option<f64>,
    /// Age of the newest reading.
    pub age: Option<Span>,
    /// What is in the way, in words; empty when nothing is.
    pub because: String,
}

/// What the judge says of a gate at one moment.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Judgement {
    /// The word for the whole condition.
    pub word: Word,
    /// One finding a watched channel.
    pub findings: Vec<Finding>,
    /// How much of the dwell is done.
    pub dwelt: Span,
    /// How much dwell is asked.
    pub dwell: Span,
    /// Time left until the limit.
    pub left: Span,
}

impl fmt::Display for Finding {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{} ", self.channel)?;
        match &self.estimate {
            Some(estimate) => write!(f, "{estimate}")?,
            None => write!(f, "no value")?,
        }
        write!(f, ", wanted {}", self.target)?;
        if let (Some(gap), Some(estimate)) = (self.gap, &self.estimate)
            && gap != 0.0
        {
            let way = if gap > 0.0 { "to rise" } else { "to fall" };
            write!(f, ", {:.*} {} {way}", estimate.decimals(), gap.abs(), estimate.unit.print())?;
        }
        write!(f, ": {}", self.word)?;
        if !self.because.is_empty() {
            write!(f, " ({})", self.because)?;
        }
        Ok(())
    }
}

impl fmt::Display for Judgement {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        for (i, finding) in self.findings.iter().enumerate() {
            let comma = if i == 0 { "" } else { "; " };
            write!(f, "{comma}{finding}")?;
        }
        if self.dwell > Span::ZERO {
            write!(f, "; held {} of {}", self.dwelt, self.dwell)?;
        }
        Ok(())
    }
}
