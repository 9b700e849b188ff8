//! What was said of a car against what was really so: intervals, and the word "proven".

use bench_car::{Truthful, World};
use model::event::Outcome;
use model::{ChannelId, Condition, Event, EventEnvelope, Gate, Moment, Quantity, Span, Unit, Word};

/// Counts of one run, or of many.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Truth {
    /// Measured means whose 95 % interval holds the true mean, without dither.
    pub covered: u64,
    /// All measured means without dither.
    pub measured: u64,
    /// Measured means whose 95 % interval holds the true mean, with dither.
    pub covered_dithered: u64,
    /// All measured means with dither.
    pub measured_dithered: u64,
    /// Verdicts "proven" that are true of the car.
    pub proven_true: u64,
    /// Verdicts "proven" that are not.
    pub proven_false: u64,
    /// Verdicts "proven" that the car has no truth of its own for, or not for all of it: flags, counted steps, what was
    /// typed in or taken from a course.
    pub proven_unchecked: u64,
}

impl Truth {
    /// One "proven": true, false, or not to be checked.
    fn tell(&mut self, so: Option<bool>) {
        *match so {
            Some(true) => &mut self.proven_true,
            Some(false) => &mut self.proven_false,
            None => &mut self.proven_unchecked,
        } += 1;
    }

    /// The sum of two counts.
    #[must_use]
    pub fn and(self, other: Self) -> Self {
        Self {
            covered: self.covered + other.covered,
            measured: self.measured + other.measured,
            covered_dithered: self.covered_dithered + other.covered_dithered,
            measured_dithered: self.measured_dithered + other.measured_dithered,
            proven_true: self.proven_true + other.proven_true,
            proven_false: self.proven_false + other.proven_false,
            proven_unchecked: self.proven_unchecked + other.proven_unchecked,
        }
    }
}

/// What the bench car can be asked for the truth of: a channel that has a true counterpart.
fn truthful(channel: &ChannelId) -> Option<Truthful> {
    Some(match channel.as_str() {
        "rpm" | "rpm_quick" => Truthful::Rpm,
        "throttle" | "throttle_alone" => Truthful::Throttle,
        "coolant" => Truthful::Coolant,
        "battery" | "battery_alone" => Truthful::Battery,
        "manifold_pressure" => Truthful::ManifoldPressure,
        "air_flow" => Truthful::AirFlow,
        _ => return None,
    })
}

/// A stretch of time up to a moment.
#[derive(Debug, Clone, Copy)]
struct Stretch {
    from: Moment,
    to: Moment,
}

fn mean(world: &World, channel: &ChannelId, when: Stretch) -> Option<f64> {
    world.true_mean(truthful(channel)?, when.from.0, when.to.0)
}

/// Compares a session's measurements, gates and results with the car that they were taken of. The session's
/// clock is the car's.
pub(crate) fn compare(world: &World, events: &[EventEnvelope]) -> Truth {
    let mut counts = Truth::default();
    let mut gate: Option<(Moment, &Gate)> = None;
    // The newest measurement by its estimate: what a result judges.
    let mut measured: Vec<(model::Estimate, Stretch)> = Vec::new();
    for envelope in events {
        match &envelope.event {
            Event::Measured { channel, estimate: Some(estimate), over, dithered, .. } => {
                let when = Stretch { from: envelope.at - *over, to: envelope.at };
                measured.push((estimate.clone(), when));
                if let Some(truth) = mean(world, channel, when) {
                    let inside = (estimate.low..=estimate.high).contains(&truth);
                    let (hits, all) = if *dithered {
                        (&mut counts.covered_dithered, &mut counts.measured_dithered)
                    } else {
                        (&mut counts.covered, &mut counts.measured)
                    };
                    *hits += u64::from(inside);
                    *all += 1;
                }
            }
            Event::GateArmed { gate: armed } => gate = Some((envelope.at, armed)),
            Event::GateEnded { outcome: Outcome::Met, judgement } if judgement.word == Word::Proven => {
                counts.tell(gate.and_then(|(armed, gate)| holds(world, gate, armed, envelope.at)));
            }
            Event::Result { finding, .. } if finding.word == Word::Proven => {
                let when =
                    measured.iter().rev().find(|(estimate, _)| Some(estimate) == finding.estimate.as_ref());
                let truth = when.and_then(|(_, when)| mean(world, &finding.channel, *when));
                let window = edges(&finding.target);
                counts.tell(truth.zip(window).map(|(truth, (low, high))| (low..=high).contains(&truth)));
            }
            _ => {}
        }
    }
    counts
}

/// Whether what a gate asks is true of the car's means over its dwell, or over its window where that is longer, but
/// not from before it was armed: readings from before do not count.
fn holds(world: &World, gate: &Gate, armed: Moment, at: Moment) -> Option<bool> {
    condition(world, &gate.condition, gate.dwell, Stretch { from: armed, to: at })
}

fn condition(world: &World, what: &Condition, dwell: Span, wait: Stretch) -> Option<bool> {
    let over = |window: Span| Stretch { from: (wait.to - dwell.max(window)).max(wait.from), to: wait.to };
    let level = |quantity: &Quantity, channel: &ChannelId| {
        let unit = Unit::new(if channel.as_str().contains("rpm") {
            "{rev}/min"
        } else {
            return Some(quantity.value);
        });
        quantity.to(&unit.ok()?).ok().map(|quantity| quantity.value)
    };
    match what {
        Condition::Above { watch, level: edge, .. } => {
            let when = over(watch.over);
            Some(mean(world, &watch.channel, when)? > level(edge, &watch.channel)?)
        }
        Condition::Below { watch, level: edge, .. } => {
            let when = over(watch.over);
            Some(mean(world, &watch.channel, when)? < level(edge, &watch.channel)?)
        }
        Condition::Within { watch, low, high, .. } => {
            let when = over(watch.over);
            let truth = mean(world, &watch.channel, when)?;
            Some((level(low, &watch.channel)?..=level(high, &watch.channel)?).contains(&truth))
        }
        // A part without a truth of its own (a flag) is left out; the others must all be so.
        Condition::All { of } => {
            let known: Vec<bool> = of.iter().filter_map(|one| condition(world, one, dwell, wait)).collect();
            (!known.is_empty()).then(|| known.iter().all(|so| *so))
        }
        _ => None,
    }
}

/// The edges of a result's target in words: "700 r/min to 800 r/min", "above 75 °C".
fn edges(target: &str) -> Option<(f64, f64)> {
    let number = |text: &str| text.split_whitespace().find_map(|word| word.parse::<f64>().ok());
    match target.split_once(" to ") {
        Some((low, high)) => Some((number(low)?, number(high)?)),
        None if target.starts_with("above ") => Some((number(target)?, f64::INFINITY)),
        None if target.starts_with("below ") => Some((f64::NEG_INFINITY, number(target)?)),
        None => None,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_target_in_words_is_read_back() {
        assert_eq!(edges("700 r/min to 800 r/min"), Some((700.0, 800.0)));
        assert_eq!(edges("above 75 °C"), Some((75.0, f64::INFINITY)));
        assert_eq!(edges("-12 % to 12 %"), Some((-12.0, 12.0)));
        assert_eq!(edges("steady"), None);
    }

    #[test]
    fn an_interval_that_misses_the_truth_and_a_false_proof_are_counted() {
        use bench_car::WorldConfig;
        use model::judgement::Finding;
        use model::{Estimate, SCHEMA_VERSION, SessionId, StationId};

        let mut world = World::new(WorldConfig { keep_truth: true, ..WorldConfig::default() }).unwrap();
        world.advance(20_000_000_000);
        let truth = world.true_mean(Truthful::Coolant, 5_000_000_000, 15_000_000_000).unwrap();
        let unit = Unit::new("Cel").unwrap();
        let channel = ChannelId::new("coolant").unwrap();
        let estimate = |off: f64| Estimate {
            value: truth + off,
            low: truth + off - 1.0,
            high: truth + off + 1.0,
            unit: unit.clone(),
        };
        let event = |event| EventEnvelope {
            schema: SCHEMA_VERSION,
            seq: 1,
            station: StationId::new("bench").unwrap(),
            session: SessionId::new("s").unwrap(),
            at: Moment(15_000_000_000),
            event,
        };
        let measured = |off: f64| {
            event(Event::Measured {
                channel: channel.clone(),
                name: "m".into(),
                estimate: Some(estimate(off)),
                readings: 9,
                rate: 1.0,
                over: Span::from_secs(10),
                dithered: off == 0.0,
            })
        };
        let result = |off: f64| {
            event(Event::Result {
                name: "r".into(),
                finding: Finding {
                    channel: channel.clone(),
                    word: Word::Proven,
                    estimate: Some(estimate(off)),
                    target: format!("{} °C to {} °C", truth + off - 2.0, truth + off + 2.0),
                    gap: Some(0.0),
                    age: None,
                    because: String::new(),
                },
            })
        };
        let counts = compare(&world, &[measured(0.0), result(0.0), measured(5.0), result(5.0)]);
        let wanted = Truth {
            covered: 0,
            measured: 1,
            covered_dithered: 1,
            measured_dithered: 1,
            proven_true: 1,
            proven_false: 1,
            proven_unchecked: 0,
        };
        assert_eq!(counts, wanted);
    }
}
