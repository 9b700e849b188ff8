//! Targets and reasons in words.

use model::judgement::Finding;
use model::{Quantity, Span, Unit};

use crate::settle::{Against, Steadiness};

/// What stands in the way of a leaf, kept as numbers until somebody asks for the words.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) enum Why {
    /// Nothing.
    Nothing,
    /// Too few readings.
    Few { have: usize, need: usize },
    /// The window is not yet full.
    Filling { have: Span, need: Span },
    /// The readings have no finite mean.
    NoNumber,
    /// The interval reaches over an edge.
    Straddles { half_width: f64 },
    /// One count is wider than the window.
    NarrowerThanCount { count: f64 },
    /// What all readings share is wider than the window.
    NarrowerThanShared { half_width: f64 },
    /// The interval as it stands is wider than the window.
    NarrowerThanInterval { half_width: f64 },
    /// The change over the window, with its uncertainty.
    Change { change: f64, half_width: f64 },
    /// Not steady, or not proven so.
    Unsteady(Steadiness),
    /// Judged to one count instead of the finer band.
    OneCount { count: f64 },
}

impl Why {
    /// The words, with amounts in the channel's unit. Empty for nothing.
    pub(crate) fn words(&self, unit: &Unit, over: Span) -> String {
        let amount = |x: f64| with_unit(x, unit);
        match self {
            Self::Nothing => String::new(),
            Self::Few { have, need } => format!("{have} of {need} readings"),
            Self::Filling { have, need } => format!("window filled for {have} of {need}"),
            Self::NoNumber => "the readings have no finite mean".into(),
            Self::Straddles { half_width } => format!("an edge lies within ± {}", amount(*half_width)),
            Self::NarrowerThanCount { count } => {
                format!("window narrower than one count of {}: cannot be proven", amount(*count))
            }
            Self::NarrowerThanShared { half_width } => {
                format!("window narrower than the channel's own ± {}: cannot be proven", amount(*half_width))
            }
            Self::NarrowerThanInterval { half_width } => {
                format!("window narrower than the interval of ± {}", amount(*half_width))
            }
            Self::Change { change, half_width } => {
                format!("{} ± {} over {over}", signed(*change, unit), significant(*half_width, 2))
            }
            Self::Unsteady(s) => match s.against {
                Against::Nothing => String::new(),
                Against::Drift => {
                    format!(
                        "{} ± {} over {over}",
                        signed(s.change.change, unit),
                        significant(s.change.half_width, 2)
                    )
                }
                Against::Sway if s.sway > s.band => format!("swings by {}", amount(s.sway)),
                Against::Sway => "scatters too much to exclude a swing".into(),
                Against::Scatter => {
                    format!("moves further than noise would (ratio of variances {})", significant(s.ratio, 2))
                }
            },
            Self::OneCount { count } => format!("judged to one count of {}", amount(*count)),
        }
    }
}

/// A number with its unit, to three digits.
fn with_unit(x: f64, unit: &Unit) -> String {
    format!("{} {}", significant(x, 3), unit.print()).trim_end().to_string()
}

fn signed(x: f64, unit: &Unit) -> String {
    let sign = if x >= 0.0 { "+" } else { "" };
    format!("{sign}{}", with_unit(x, unit))
}

/// A number to this many significant digits, without idle zeros behind the point.
fn significant(x: f64, digits: i32) -> String {
    if x == 0.0 || !x.is_finite() {
        return format!("{x}");
    }
    let places = (digits - 1 - x.abs().log10().floor() as i32).clamp(0, 12);
    let text = format!("{x:.*}", places as usize);
    if text.contains('.') { text.trim_end_matches('0').trim_end_matches('.').to_string() } else { text }
}

/// `13.2 to 14.8 V`, or both in full where their units differ.
pub(crate) fn range(low: &Quantity, high: &Quantity) -> String {
    if low.unit == high.unit {
        format!("{} to {}", low.value, plain(high))
    } else {
        format!("{} to {}", plain(low), plain(high))
    }
}

/// A quantity as it was written.
pub(crate) fn plain(q: &Quantity) -> String {
    q.to_string().trim_end().to_string()
}

/// Joins what is in the way; either may be empty.
pub(crate) fn add(finding: &mut Finding, words: &str) {
    if words.is_empty() {
        return;
    }
    if !finding.because.is_empty() {
        finding.because.push_str("; ");
    }
    finding.because.push_str(words);
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn amounts_are_short() {
        let volt = Unit::new("V").unwrap();
        assert_eq!(with_unit(5.0 / 255.0, &volt), "0.0196 V");
        assert_eq!(with_unit(850.0, &Unit::new("{rev}/min").unwrap()), "850 r/min");
        assert_eq!(with_unit(0.25, &Unit::one()), "0.25");
        assert_eq!(significant(1e-300, 3), "0");
        assert_eq!(
            Why::NarrowerThanCount { count: 5.0 / 255.0 }.words(&volt, Span::ZERO),
            "window narrower than one count of 0.0196 V: cannot be proven"
        );
    }

    #[test]
    fn a_range_names_its_unit_once() {
        let volt = |x| Quantity::new(x, Unit::new("V").unwrap());
        assert_eq!(range(&volt(13.2), &volt(14.8)), "13.2 to 14.8 V");
        assert_eq!(range(&Quantity::new(500.0, Unit::new("mV").unwrap()), &volt(0.6)), "500 mV to 0.6 V");
    }
}
