//! Polling, and the times for which channels are measured and watched.

use model::{ChannelId, Span};
use rhai::Position;

use super::rates::{Turn, readings};
use crate::check::finding::Kind;
use crate::check::value::Value;
use crate::check::walk::{Arg, Walker};
use crate::host::quantity::span;

/// A mean leaves out no more than this part of its time in one piece, so it needs as many readings.
const PARTS: i64 = 4;

impl Walker<'_> {
    fn listed(&self, arg: &Arg<'_>) -> Vec<ChannelId> {
        let items = match arg.value.only() {
            Some(crate::check::value::Shape::List(items)) => items.as_slice(),
            _ => &[],
        };
        items.iter().filter_map(|item| ChannelId::new(item.exact_text()?).ok()).collect()
    }

    /// `poll([channel, …], period)`.
    pub(super) fn poll(&mut self, args: &[Arg<'_>]) {
        let [list, period] = args else { return };
        let period = period.value.exact_quantity().and_then(|q| span(&q, "the period").ok());
        for id in self.listed(list) {
            if let (Some(fact), Some(period)) = (self.ground.readings.get(&id), period) {
                self.flow.polled.insert(fact.request, period);
            }
        }
    }

    /// `rest([channel, …])`.
    pub(super) fn rest(&mut self, args: &[Arg<'_>]) {
        let Some(list) = args.first() else { return };
        for id in self.listed(list) {
            if let Some(fact) = self.ground.readings.get(&id) {
                self.flow.polled.remove(&fact.request);
            }
        }
    }

    /// `measure(channel, name, time)`.
    pub(super) fn measure(&mut self, args: &[Arg<'_>], _at: Position) {
        let Some((id, over, at)) = watched(args) else { return };
        let Some(period) = self.period(&id, std::slice::from_ref(&id), Turn::Shared) else { return };
        if period * PARTS > over {
            self.too_short(&id, period, over, period * PARTS, at, "a mean");
        }
    }

    /// `trace(channel, name, time)`.
    pub(super) fn trace(&mut self, args: &[Arg<'_>], _at: Position) {
        let Some((id, over, at)) = watched(args) else { return };
        let Some(period) = self.period(&id, std::slice::from_ref(&id), Turn::First) else { return };
        if readings(over, period) < 2 {
            self.too_short(&id, period, over, period, at, "a course");
        }
    }

    fn too_short(&mut self, id: &ChannelId, period: Span, over: Span, needs: Span, at: Position, what: &str) {
        let seen = format!("{over} is too short for {what} of '{id}', which is read every {period} here");
        self.mistake(Kind::Rate, at, seen, format!("give it {needs} or more, or poll fewer channels"));
    }
}

/// The channel, the time and where that stands, where both are known.
fn watched(args: &[Arg<'_>]) -> Option<(ChannelId, Span, Position)> {
    let [name, _, over] = args else { return None };
    let id = ChannelId::new(name.value.exact_text()?).ok()?;
    let time: Value = over.value.clone();
    let over_for = span(&time.exact_quantity()?, "the time").ok()?;
    Some((id, over_for, over.at))
}
