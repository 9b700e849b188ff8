//! One measurement before against after. Clauses of JCGM 100 are cited from memory.
//!
//! The difference of two means has the standard uncertainty u with u² = u₁² + u₂² (JCGM 100:2008, 5.1.2), and
//! its 95 % interval is 1.96 u on either side (JCGM 100:2008, G.2 and table G.1, from memory). What all readings
//! of a channel share (calibration, reference, ground) is the same in both and leaves the difference: full
//! correlation, r = 1 in JCGM 100:2008, 5.2.2, equation (16) and note 1, where the terms of opposite sign
//! cancel. That may be said only when both sessions are of one car and used the same description, for
//! otherwise nothing tells that the readings went through the same chain. An error of the chain's slope is
//! taken to be shared too: it is the same part of both values, so what it leaves in the difference is that
//! part of the difference alone.

use std::fmt;

use model::{Estimate, Place, Problem, ProblemKind, SessionId, UnitError};
use record::{ChannelHead, Session};
use serde::{Deserialize, Serialize};
use signal::interval::half_width_95;
use signal::stats::quantile::Z95;

/// Part of a rectangle that covers 95 %.
const RECTANGLE_95: f64 = 0.95;

/// Whether a difference lies beyond what the measurement can tell.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Change {
    /// The 95 % interval of the difference does not hold zero.
    Proven,
    /// It does: there may be no change at all.
    NotProven,
}

/// What became of the uncertainty that all readings of the channel share.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(tag = "shared", rename_all = "snake_case")]
pub enum SharedPart {
    /// It leaves the difference: one car, one description.
    Cancels,
    /// It counts on both sides.
    Counts {
        /// Why it does not cancel.
        why: String,
    },
}

/// One of the two sides.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Side {
    /// The session.
    pub session: SessionId,
    /// The measurement in it, the last of its name.
    pub estimate: Estimate,
}

/// One measurement before against after.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Comparison {
    /// Name of the measurement.
    pub name: String,
    /// Before.
    pub before: Side,
    /// After, in the unit of before.
    pub after: Side,
    /// After minus before, with its 95 % interval.
    pub difference: Estimate,
    /// What became of the shared uncertainty.
    pub shared: SharedPart,
    /// Whether the change is proven.
    pub change: Change,
}

#[derive(Debug, thiserror::Error)]
enum Fault {
    #[error("session {session} has no measurement '{name}'; it has: {known}")]
    Missing { session: SessionId, name: String, known: String },
    #[error("measurement '{name}' of session {session} had too few readings for a value")]
    NoValue { session: SessionId, name: String },
    #[error("measurement '{name}' is of channel {before} before and of channel {after} after")]
    OtherChannel { name: String, before: String, after: String },
    #[error("measurement '{name}': {error}")]
    Unit { name: String, error: UnitError },
}

impl From<Fault> for Problem {
    fn from(fault: Fault) -> Self {
        let cure = match fault {
            Fault::Missing { .. } => "name a measurement that both sessions have",
            Fault::NoValue { .. } => "measure again for longer",
            Fault::OtherChannel { .. } | Fault::Unit { .. } => "compare measurements of the same thing",
        };
        Self::new(
            ProblemKind::Argument,
            Place::Argument { name: "measurement".into() },
            fault.to_string(),
            cure,
        )
    }
}

/// Compares the last measurement of this name in two sessions.
pub fn compare(before: &Session, after: &Session, name: &str) -> Result<Comparison, Problem> {
    let (channel, first) = measurement(before, name)?;
    let (other, second) = measurement(after, name)?;
    if channel != other {
        let (before, after) = (channel.to_string(), other.to_string());
        return Err(Fault::OtherChannel { name: name.into(), before, after }.into());
    }
    let unit = |error| Fault::Unit { name: name.into(), error };
    let second = in_unit_of(&first, &second).map_err(unit)?;
    let parts = |session: &Session, estimate: &Estimate| -> Result<Parts, UnitError> {
        session.channel(&channel).map_or(Ok(Parts::unknown(estimate)), |head| Parts::of(estimate, head))
    };
    let (mut one, mut two) = (parts(before, &first).map_err(unit)?, parts(after, &second).map_err(unit)?);

    let shared = match reason_to_count(before, after, &one, &two) {
        Some(why) => SharedPart::Counts { why: why.into() },
        None => {
            one.standard = one.without_shared();
            two.standard = two.without_shared();
            SharedPart::Cancels
        }
    };
    let half = Z95 * one.standard.hypot(two.standard);
    let value = second.value - first.value;
    let difference = Estimate { value, low: value - half, high: value + half, unit: first.unit.clone() };
    let change =
        if difference.low > 0.0 || difference.high < 0.0 { Change::Proven } else { Change::NotProven };
    Ok(Comparison {
        name: name.to_owned(),
        before: Side { session: before.head().session.clone(), estimate: first },
        after: Side { session: after.head().session.clone(), estimate: second },
        difference,
        shared,
        change,
    })
}

fn measurement(session: &Session, name: &str) -> Result<(model::ChannelId, Estimate), Fault> {
    let mut known = Vec::new();
    let mut last = None;
    for event in &session.events {
        if let model::Event::Measured { channel, name: this, estimate, .. } = &event.event {
            if this == name {
                last = Some((channel, estimate));
            } else if !known.contains(this) {
                known.push(this.clone());
            }
        }
    }
    let (session, name) = (session.head().session.clone(), name.to_owned());
    match last {
        Some((channel, Some(estimate))) => Ok((channel.clone(), estimate.clone())),
        Some((_, None)) => Err(Fault::NoValue { session, name }),
        None => {
            let known = if known.is_empty() { "none".into() } else { known.join(", ") };
            Err(Fault::Missing { session, name, known })
        }
    }
}

fn in_unit_of(first: &Estimate, second: &Estimate) -> Result<Estimate, UnitError> {
    let to = |value| second.unit.convert(value, &first.unit);
    Ok(Estimate {
        value: to(second.value)?,
        low: to(second.low)?,
        high: to(second.high)?,
        unit: first.unit.clone(),
    })
}

/// Why the shared part must count, where it must.
fn reason_to_count(before: &Session, after: &Session, one: &Parts, two: &Parts) -> Option<&'static str> {
    let (a, b) = (before.head(), after.head());
    if a.car != b.car {
        Some("the sessions are of two cars")
    } else if a.description_sha256 != b.description_sha256 {
        Some("the sessions used different descriptions of the controller")
    } else if !(one.named && two.named) {
        Some("the description does not name the channel")
    } else if one.shared > one.standard || two.shared > two.standard {
        Some("an interval is narrower than the shared part alone, so the two cannot be told apart")
    } else {
        None
    }
}

/// The standard uncertainty of an estimate and the shared part in it, in the estimate's unit.
struct Parts {
    standard: f64,
    shared: f64,
    named: bool,
}

impl Parts {
    fn of(estimate: &Estimate, head: &ChannelHead) -> Result<Self, UnitError> {
        let to = |width: f64| head.unit.convert_difference(width, &estimate.unit).map(f64::abs);
        let (resolution, shared) = (to(head.resolution)?, to(head.shared)?);
        Ok(Self { standard: standard(half(estimate), resolution / 2.0), shared, named: true })
    }

    fn unknown(estimate: &Estimate) -> Self {
        // Of all distributions that a reading here can have, the rectangle has the largest standard
        // uncertainty for a given interval.
        Self { standard: half(estimate) / (RECTANGLE_95 * 3f64.sqrt()), shared: 0.0, named: false }
    }

    fn without_shared(&self) -> f64 {
        (self.standard * self.standard - self.shared * self.shared).max(0.0).sqrt()
    }
}

/// The larger half of an interval that may have been cut on one side.
fn half(estimate: &Estimate) -> f64 {
    (estimate.high - estimate.value).max(estimate.value - estimate.low)
}

/// The standard uncertainty behind a 95 % half-width.
///
/// An interval too narrow for the whole rectangle of the resolution comes from readings that averaged it out:
/// it is normal. A wider one may or may not hold the rectangle; it is taken to, because that gives the larger
/// standard uncertainty (a rectangle of half-width a has a/√3; JCGM 100:2008, 4.3.7).
fn standard(half_width: f64, rectangle: f64) -> f64 {
    if rectangle <= 0.0 || half_width < RECTANGLE_95 * rectangle {
        return half_width / Z95;
    }
    let (mut low, mut high) = (0.0, half_width / Z95);
    for _ in 0..100 {
        let middle = (low + high) / 2.0;
        if half_width_95(rectangle, middle) < half_width { low = middle } else { high = middle }
    }
    high.hypot(rectangle / 3f64.sqrt())
}

impl fmt::Display for Comparison {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        writeln!(f, "{}", self.name)?;
        writeln!(f, "  before: {} (session {})", self.before.estimate, self.before.session)?;
        writeln!(f, "  after:  {} (session {})", self.after.estimate, self.after.session)?;
        writeln!(f, "  change: {}", self.difference)?;
        let way = if self.difference.value > 0.0 { "a rise" } else { "a fall" };
        match self.change {
            Change::Proven => {
                writeln!(f, "  {way} is proven: the whole 95 % interval lies on one side of zero")?;
            }
            Change::NotProven => writeln!(f, "  no change is proven: the 95 % interval holds zero")?,
        }
        match &self.shared {
            SharedPart::Cancels => {
                writeln!(f, "  calibration cancels: one car, the same description")
            }
            SharedPart::Counts { why } => writeln!(f, "  calibration counts on both sides, because {why}"),
        }
    }
}

#[cfg(test)]
mod tests {
    use model::{ChannelId, Event, Unit};

    use super::*;
    use crate::testing::Recording;

    /// A session with one measurement of rpm: counts of 25 r/min, shared part 6.25 r/min.
    fn measured(session: &str, value: f64, half: f64, change: impl Fn(&mut Recording)) -> Session {
        let mut recording = Recording::new(session);
        change(&mut recording);
        recording.event(5, idle(value, half, "{rev}/min"));
        recording.close()
    }

    fn idle(value: f64, half: f64, unit: &str) -> Event {
        let unit = Unit::new(unit).unwrap();
        Event::Measured {
            channel: ChannelId::new("rpm").unwrap(),
            name: "idle".into(),
            estimate: Some(Estimate { value, low: value - half, high: value + half, unit }),
            readings: 200,
            rate: 10.0,
            over: model::Span::from_secs(10),
            dithered: true,
        }
    }

    fn same(_: &mut Recording) {}

    fn other_description(recording: &mut Recording) {
        recording.restart(|head| head.description_sha256 = "d2".into());
    }

    #[test]
    fn the_shared_part_cancels_only_under_one_description() {
        // Each side holds a whole rectangle of half-width 12.5, a normal part of 1 and the shared 6.25.
        let half = half_width_95(12.5, 1f64.hypot(6.25));
        let before = measured("s1", 900.0, half, same);
        let after = measured("s2", 850.0, half, same);
        let cancelled = compare(&before, &after, "idle").unwrap();
        assert_eq!(cancelled.shared, SharedPart::Cancels);
        // u of each side without the shared part: sqrt(1 + 12.5^2 / 3).
        let expected = Z95 * (2.0 * (1.0_f64 + 12.5 * 12.5 / 3.0)).sqrt();
        assert!((cancelled.difference.half_width() - expected).abs() < 1e-6, "{cancelled}");
        let counted = compare(&before, &measured("s3", 850.0, half, other_description), "idle").unwrap();
        let expected = Z95 * (2.0 * (1.0_f64 + 12.5 * 12.5 / 3.0 + 6.25 * 6.25)).sqrt();
        assert!((counted.difference.half_width() - expected).abs() < 1e-6, "{counted}");
        assert!(matches!(counted.shared, SharedPart::Counts { .. }));
        insta::assert_snapshot!(format!("{cancelled}\n{counted}"));
    }

    #[test]
    fn a_change_is_proven_when_its_interval_leaves_zero() {
        // Narrower than a count: averaged, so normal. u = 10/1.96 each, shared 6.25 counts on both sides
        // because 10/1.96 < 6.25.
        let before = measured("s1", 900.0, 10.0, same);
        for (value, change) in [(914.0, Change::NotProven), (914.3, Change::Proven), (885.7, Change::Proven)]
        {
            let after = measured("s2", value, 10.0, same);
            let comparison = compare(&before, &after, "idle").unwrap();
            // The difference of two independent normal intervals of half-width 10 has 10 * sqrt(2).
            assert!((comparison.difference.half_width() - 10.0 * 2f64.sqrt()).abs() < 1e-9);
            assert_eq!(comparison.change, change, "{comparison}");
            let SharedPart::Counts { why } = comparison.shared else { panic!("it cannot cancel") };
            assert!(why.contains("narrower"));
        }
    }

    #[test]
    fn units_are_converted_and_another_car_is_not_the_same_chain() {
        let before = measured("s1", 900.0, 10.0, same);
        let after = {
            let mut recording = Recording::new("s2");
            recording.restart(|head| head.car = "other-car".into());
            recording.event(5, idle(15.0, 0.1, "/s"));
            recording.close()
        };
        let comparison = compare(&before, &after, "idle").unwrap();
        assert!(comparison.difference.value.abs() < 1e-9, "15 a second are 900 a minute");
        assert!((comparison.after.estimate.half_width() - 6.0).abs() < 1e-9);
        assert_eq!(comparison.shared, SharedPart::Counts { why: "the sessions are of two cars".into() });
    }

    #[test]
    fn what_cannot_be_compared_is_refused_with_its_reason() {
        let before = measured("s1", 900.0, 10.0, same);
        let problem = compare(&before, &before, "warm idle").unwrap_err();
        assert!(problem.seen.contains("'warm idle'; it has: idle"), "{problem}");
        let with = |session: &str, change: &dyn Fn(&mut Event)| {
            let mut recording = Recording::new(session);
            let mut event = idle(900.0, 10.0, "{rev}/min");
            change(&mut event);
            recording.event(5, event);
            recording.close()
        };
        let few = with("s2", &|event| {
            if let Event::Measured { estimate, .. } = event {
                *estimate = None;
            }
        });
        assert!(compare(&before, &few, "idle").unwrap_err().seen.contains("too few readings"));
        let coolant = with("s4", &|event| {
            if let Event::Measured { channel, .. } = event {
                *channel = ChannelId::new("coolant").unwrap();
            }
        });
        assert!(compare(&before, &coolant, "idle").unwrap_err().seen.contains("channel coolant after"));
        let other = {
            let mut recording = Recording::new("s3");
            recording.event(5, idle(15.0, 0.1, "V"));
            recording.close()
        };
        assert!(compare(&before, &other, "idle").unwrap_err().seen.contains("different things"));
    }

    #[test]
    fn the_standard_uncertainty_behind_an_interval_is_found_again() {
        for (rectangle, normal) in [(1.0, 0.0), (1.0, 0.3), (1.0, 2.0), (0.0, 1.0), (12.5, 6.25)] {
            let found = standard(half_width_95(rectangle, normal), rectangle);
            let wanted = f64::hypot(normal, rectangle / 3f64.sqrt());
            assert!((found - wanted).abs() < 1e-6 * wanted, "{rectangle} {normal}: {found}, {wanted}");
        }
    }
}
