//! Gates while a script is building them.

use model::{Condition, Demand, Gate, Quantity, Span, Unit, Watch};

use super::fault::misuse;
use super::quantity::{fits, span, words};
use super::state::State;
use crate::defaults::{DROPOUT, FRESH, LEVEL_WINDOW, TREND_WINDOW};
use crate::room::Fail;

/// A condition with what makes it a gate, as far as the script has said it.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct GateSpec {
    pub(crate) condition: Condition,
    unit: Option<Unit>,
    pub(crate) demand: Option<Demand>,
    pub(crate) dwell: Option<Span>,
    pub(crate) dropout: Option<Span>,
    pub(crate) limit: Option<Span>,
}

/// What a single condition is about.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Shape {
    Above,
    Below,
    Steady,
    Rising,
    Falling,
    Changed,
}

impl GateSpec {
    fn new(condition: Condition, unit: Option<Unit>) -> Self {
        Self { condition, unit, demand: None, dwell: None, dropout: None, limit: None }
    }

    /// A condition on one channel with one number.
    pub(crate) fn single(state: &State, shape: Shape, channel: &str, number: Quantity) -> Result<Self, Fail> {
        let (id, unit) = state.channel(channel)?;
        fits(&number, &unit, &format!("'{channel}'"))?;
        let level = matches!(shape, Shape::Above | Shape::Below);
        if !level && number.value <= 0.0 {
            return Err(misuse(
                format!("a change of {} can never be seen", words(&number)),
                "give it above zero",
            ));
        }
        let watch =
            Watch { channel: id, over: if level { LEVEL_WINDOW } else { TREND_WINDOW }, fresh: FRESH };
        let condition = match shape {
            Shape::Above => Condition::Above { watch, level: number, hysteresis: None },
            Shape::Below => Condition::Below { watch, level: number, hysteresis: None },
            Shape::Steady => Condition::Steady { watch, band: number },
            Shape::Rising => Condition::Rising { watch, by: number },
            Shape::Falling => Condition::Falling { watch, by: number },
            Shape::Changed => Condition::Changed { watch, by: number },
        };
        Ok(Self::new(condition, Some(unit)))
    }

    /// A condition on one channel between two levels.
    pub(crate) fn within(state: &State, channel: &str, low: Quantity, high: Quantity) -> Result<Self, Fail> {
        let (id, unit) = state.channel(channel)?;
        let whose = format!("'{channel}'");
        fits(&low, &unit, &whose)?;
        fits(&high, &unit, &whose)?;
        if super::quantity::compare(&low, &high)? != Some(std::cmp::Ordering::Less) {
            return Err(misuse(
                format!("the window from {} to {} is empty", words(&low), words(&high)),
                "give the lower edge first",
            ));
        }
        let watch = Watch { channel: id, over: LEVEL_WINDOW, fresh: FRESH };
        Ok(Self::new(Condition::Within { watch, low, high, hysteresis: None }, Some(unit)))
    }

    /// Several conditions joined.
    pub(crate) fn joined(parts: Vec<Self>, join: fn(Vec<Condition>) -> Condition) -> Result<Self, Fail> {
        if parts.is_empty() {
            return Err(misuse("the list of conditions is empty", "name at least one"));
        }
        let parts = parts.into_iter().map(|p| p.into_condition("a part of a larger condition"));
        Ok(Self::new(join(parts.collect::<Result<_, _>>()?), None))
    }

    /// The bare condition; words that only a whole gate can have would be lost and are refused.
    pub(crate) fn into_condition(self, what: &str) -> Result<Condition, Fail> {
        let said = [
            (self.demand.is_some(), "proven"),
            (self.dwell.is_some(), "dwell"),
            (self.dropout.is_some(), "dropout"),
            (self.limit.is_some(), "limit"),
        ];
        match said.into_iter().find(|(yes, _)| *yes) {
            Some((_, word)) => Err(misuse(
                format!("{what} cannot have a {word} of its own"),
                format!("put .{word}(…) on the whole that is waited for"),
            )),
            None => Ok(self.condition),
        }
    }

    /// The gate; it needs a limit, because a wait without one may never end.
    pub(crate) fn into_gate(self) -> Result<Gate, Fail> {
        let limit = self.limit.ok_or_else(|| {
            misuse("the wait has no limit and might never end", "say how long: wait(….limit(2.minutes))")
        })?;
        Ok(Gate {
            condition: self.condition,
            demand: self.demand.unwrap_or(Demand::Inside),
            dwell: self.dwell.unwrap_or(Span::ZERO),
            dropout: self.dropout.unwrap_or(DROPOUT),
            limit,
        })
    }

    pub(crate) fn over(mut self, time: &Quantity) -> Result<Self, Fail> {
        let over = span(time, "the window")?;
        self.watch("over")?.over = over;
        Ok(self)
    }

    pub(crate) fn fresh(mut self, time: &Quantity) -> Result<Self, Fail> {
        let fresh = span(time, "the age of a reading")?;
        self.watch("fresh")?.fresh = fresh;
        Ok(self)
    }

    pub(crate) fn hysteresis(mut self, width: Quantity) -> Result<Self, Fail> {
        if let Some(unit) = &self.unit {
            fits(&width, unit, "the channel")?;
        }
        if width.value < 0.0 {
            return Err(misuse(format!("a hysteresis of {} is negative", words(&width)), "give its width"));
        }
        match &mut self.condition {
            Condition::Above { hysteresis, .. }
            | Condition::Below { hysteresis, .. }
            | Condition::Within { hysteresis, .. } => *hysteresis = Some(width),
            _ => {
                return Err(misuse(
                    "only a level or a window has a hysteresis",
                    "put it on above(…), below(…) or within(…)",
                ));
            }
        }
        Ok(self)
    }

    fn watch(&mut self, word: &str) -> Result<&mut Watch, Fail> {
        match &mut self.condition {
            Condition::Above { watch, .. }
            | Condition::Below { watch, .. }
            | Condition::Within { watch, .. }
            | Condition::Steady { watch, .. }
            | Condition::Rising { watch, .. }
            | Condition::Falling { watch, .. }
            | Condition::Changed { watch, .. } => Ok(watch),
            Condition::All { .. } | Condition::Any { .. } | Condition::Not { .. } => Err(misuse(
                format!("a joined condition has no {word} of its own"),
                format!("put .{word}(…) on each of its parts"),
            )),
        }
    }
}
