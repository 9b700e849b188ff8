//! Turns a condition as written into a tree that can be judged, and refuses what makes no sense.

use model::{ChannelId, Condition, Moment, Quantity, Span, Uncertainty, Unit, Watch};

use super::facts::{ChannelFacts, GateError};
use super::leaf::{Kind, Leaf};
use super::words::{plain, range};
use crate::verdict::Target;

/// Deepest nesting of "all", "any" and "not".
const DEEPEST: usize = 16;
/// Most watched channels in one condition.
const MOST_LEAVES: usize = 64;

/// A condition without its leaves, which are numbered in the order written.
#[derive(Debug)]
pub(crate) enum Node {
    Leaf(usize),
    All(Vec<Node>),
    Any(Vec<Node>),
}

pub(crate) struct Builder<'a> {
    pub(crate) facts: &'a dyn ChannelFacts,
    pub(crate) armed_at: Moment,
    pub(crate) leaves: Vec<Leaf>,
}

impl Builder<'_> {
    /// Builds a condition or its opposite. "Not" is pushed down to the leaves: "not all" is "any not".
    pub(crate) fn node(
        &mut self,
        condition: &Condition,
        negated: bool,
        depth: usize,
    ) -> Result<Node, GateError> {
        if depth > DEEPEST {
            return shape(format!("it is nested deeper than {DEEPEST}"));
        }
        match condition {
            Condition::Not { of } => self.node(of, !negated, depth + 1),
            Condition::All { of } | Condition::Any { of } => {
                if of.is_empty() {
                    return shape("an 'all' or 'any' has nothing in it".into());
                }
                let nodes = of.iter().map(|c| self.node(c, negated, depth + 1)).collect::<Result<_, _>>()?;
                let all = matches!(condition, Condition::All { .. }) != negated;
                Ok(if all { Node::All(nodes) } else { Node::Any(nodes) })
            }
            leaf => {
                if self.leaves.len() >= MOST_LEAVES {
                    return shape(format!("it watches more than {MOST_LEAVES} channels"));
                }
                let leaf = self.leaf(leaf, negated)?;
                self.leaves.push(leaf);
                Ok(Node::Leaf(self.leaves.len() - 1))
            }
        }
    }

    fn leaf(&self, condition: &Condition, negated: bool) -> Result<Leaf, GateError> {
        let watch = *condition.watches().first().expect("a leaf has a watch");
        let channel = &watch.channel;
        let Some(fact) = self.facts.fact(channel) else {
            let nearest = self.facts.nearest(channel);
            return Err(GateError::UnknownChannel { channel: channel.clone(), nearest });
        };
        check_watch(watch)?;
        check_uncertainty(channel, &fact.uncertainty())?;
        let (kind, target) = kind(condition, channel, &fact.unit)?;
        let target = if negated { format!("not {target}") } else { target };
        Ok(Leaf::new(watch, &fact, kind, negated, target, self.armed_at))
    }
}

/// What a leaf asks for, in the channel's unit, and its words.
fn kind(condition: &Condition, channel: &ChannelId, unit: &Unit) -> Result<(Kind, String), GateError> {
    let unit_error = |error| GateError::Unit { channel: channel.clone(), error };
    let level = |q: &Quantity| number(channel, "level", q.to(unit).map_err(unit_error)?.value);
    let difference =
        |q: &Quantity, what| number(channel, what, q.difference_to(unit).map_err(unit_error)?.value);
    let amount = |q: &Quantity, what| match difference(q, what)? {
        x if x > 0.0 => Ok(x),
        _ => shape(format!("channel '{channel}': a {what} of {} is not above zero", plain(q))),
    };
    let slack = |q: &Option<Quantity>| match q.as_ref().map_or(Ok(0.0), |q| difference(q, "hysteresis"))? {
        x if x >= 0.0 => Ok(x),
        _ => shape(format!("channel '{channel}': the hysteresis is below zero")),
    };
    Ok(match condition {
        Condition::Above { level: edge, hysteresis, .. } => (
            Kind::Level { target: Target::above(level(edge)?), slack: slack(hysteresis)? },
            format!("above {}", plain(edge)),
        ),
        Condition::Below { level: edge, hysteresis, .. } => (
            Kind::Level { target: Target::below(level(edge)?), slack: slack(hysteresis)? },
            format!("below {}", plain(edge)),
        ),
        Condition::Within { low, high, hysteresis, .. } => {
            let target = Target { min: level(low)?, max: level(high)? };
            if target.min >= target.max {
                return shape(format!("channel '{channel}': the window {} is empty", range(low, high)));
            }
            (Kind::Level { target, slack: slack(hysteresis)? }, format!("within {}", range(low, high)))
        }
        Condition::Steady { watch, band } => (
            Kind::Steady { band: amount(band, "band")? },
            format!("steady to {} over {}", plain(band), watch.over),
        ),
        Condition::Rising { watch, by } => {
            let target = Target { min: amount(by, "rise")?, max: f64::INFINITY };
            (Kind::Slope { target }, format!("rising by {} over {}", plain(by), watch.over))
        }
        Condition::Falling { watch, by } => {
            let target = Target { min: f64::NEG_INFINITY, max: -amount(by, "fall")? };
            (Kind::Slope { target }, format!("falling by {} over {}", plain(by), watch.over))
        }
        Condition::Changed { by, .. } => {
            (Kind::Changed { by: amount(by, "change")? }, format!("changed by {}", plain(by)))
        }
        Condition::All { .. } | Condition::Any { .. } | Condition::Not { .. } => {
            return shape("a combination was taken for a single condition".into());
        }
    })
}

fn number(channel: &ChannelId, what: &str, x: f64) -> Result<f64, GateError> {
    if x.is_finite() {
        Ok(x)
    } else {
        shape(format!("channel '{channel}': the {what} is not a finite number"))
    }
}

fn check_watch(watch: &Watch) -> Result<(), GateError> {
    for (span, what) in [(watch.over, "window"), (watch.fresh, "freshness")] {
        if span <= Span::ZERO {
            return shape(format!("channel '{}': a {what} of {span} is not above zero", watch.channel));
        }
    }
    Ok(())
}

fn check_uncertainty(channel: &ChannelId, u: &Uncertainty) -> Result<(), GateError> {
    for (x, what) in [(u.noise, "noise"), (u.resolution, "resolution"), (u.shared, "shared uncertainty")] {
        if !(x.is_finite() && x >= 0.0) {
            return shape(format!("channel '{channel}': its {what} of {x} is not a number of zero or more"));
        }
    }
    Ok(())
}

pub(crate) fn shape<T>(why: String) -> Result<T, GateError> {
    Err(GateError::Shape { why })
}
