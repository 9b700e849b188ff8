//! Gates while they are put together.

use std::sync::Arc;

use model::{ChannelId, Unit};
use rhai::Position;

use crate::check::finding::Kind;
use crate::check::gate::{Gate, Leaf, Said, Wanted};
use crate::check::value::{Shape, Value};
use crate::check::walk::{Arg, Walker};
use crate::host::gate_spec::Shape as Of;
use crate::host::quantity::{span_or_zero, words};
use crate::host::sense::Change;

impl Walker<'_> {
    fn channel(&self, arg: &Arg<'_>) -> Option<(ChannelId, Unit)> {
        let id = ChannelId::new(arg.value.exact_text()?).ok()?;
        let unit = self.ground.facts.channels.get(&id)?.clone();
        Some((id, unit))
    }

    /// A condition on one channel with one number.
    pub(super) fn single(&mut self, shape: Of, args: &[Arg<'_>]) -> Value {
        let [name, number] = args else { return Value::any() };
        let channel = self.channel(name);
        let level = matches!(shape, Of::Above | Of::Below);
        let exact = number.value.exact_quantity();
        if let Some(exact) = exact.as_ref().filter(|exact| !level && exact.value <= 0.0) {
            let seen = format!("a change of {} can never be seen", words(exact));
            self.mistake(Kind::Value, number.at, seen, "give it above zero");
        }
        let by = exact.zip(channel.as_ref()).and_then(|(by, (_, unit))| by.difference_to(unit).ok());
        let wanted = if level { Wanted::Level } else { Wanted::Trend { shape, by: by.map(|by| by.value) } };
        self.leaf(channel.map(|(id, _)| id), wanted)
    }

    fn leaf(&self, channel: Option<ChannelId>, wanted: Wanted) -> Value {
        let leaf = Leaf { channel, wanted, over: Said::Not, fresh: Said::Not };
        Shape::Gate(Arc::new(Gate::of(leaf))).into()
    }

    /// A condition on one channel between two levels.
    pub(super) fn within(&mut self, args: &[Arg<'_>], at: Position) -> Value {
        let [name, low, high] = args else { return Value::any() };
        let channel = self.channel(name);
        let window = self.edges(&low.value, &high.value, at);
        let width = match (window.only(), &channel) {
            (Some(Shape::Window { unit: Some(from), low: Some(low), high: Some(high) }), Some((_, to))) => {
                from.convert_difference(high - low, to).ok()
            }
            _ => None,
        };
        self.leaf(channel.map(|(id, _)| id), Wanted::Within { width })
    }

    /// Conditions in a list, each bare.
    pub(super) fn bare_conditions(&mut self, args: &[Arg<'_>], what: &str) -> Gate {
        let mut joined = Gate { joined: true, ..Gate::default() };
        let Some(arg) = args.first() else { return joined };
        let items = match arg.value.only() {
            Some(Shape::List(items)) => items.clone(),
            Some(Shape::ListOf(_) | Shape::Any) | None => {
                joined.vague = true;
                return joined;
            }
            Some(other) => {
                let seen = format!("{what} takes a list of conditions, and this is a {}", other.words());
                self.mistake(Kind::Arguments, arg.at, seen, "put it into brackets: […]");
                joined.vague = true;
                return joined;
            }
        };
        for (place, item) in items.iter().enumerate() {
            let at = arg.element_at(place);
            match item.only() {
                Some(Shape::Gate(gate)) => {
                    if let Some(word) = gate.word_of_its_own() {
                        self.mistake(
                            Kind::Value,
                            at,
                            format!("a part of {what} cannot have a {word} of its own"),
                            format!("put .{word}(…) on the whole that is waited for"),
                        );
                    }
                    joined.leaves.extend(gate.leaves.iter().cloned());
                    joined.vague |= gate.vague;
                }
                Some(Shape::Any) | None => joined.vague = true,
                Some(other) => {
                    let seen = format!("each part of {what} is a condition, and this is a {}", other.words());
                    self.mistake(Kind::Arguments, at, seen, "as in below(\"rpm\", 500.rpm)");
                    joined.vague = true;
                }
            }
        }
        joined
    }

    /// `all([…])`, `any([…])`.
    pub(super) fn joined(&mut self, name: &str, args: &[Arg<'_>]) -> Value {
        let empty = args.first().is_some_and(|arg| arg.value.only() == Some(&Shape::List(Vec::new())));
        if empty && let Some(arg) = args.first() {
            self.mistake(Kind::Value, arg.at, "the list of conditions is empty", "name at least one");
        }
        let gate = self.bare_conditions(args, name);
        Shape::Gate(Arc::new(gate)).into()
    }

    /// `not(…)`.
    pub(super) fn opposite(&mut self, args: &[Arg<'_>]) -> Value {
        let Some(Shape::Gate(gate)) = args.first().and_then(|arg| arg.value.only()).cloned() else {
            return Value::any();
        };
        if let (Some(word), Some(arg)) = (gate.word_of_its_own(), args.first()) {
            let seen = format!("what stands in not(…) cannot have a {word} of its own");
            self.mistake(
                Kind::Value,
                arg.at,
                seen,
                format!("put .{word}(…) on the whole that is waited for"),
            );
        }
        Shape::Gate(Arc::new(Gate { joined: true, ..(*gate).clone() })).into()
    }

    /// `gate.limit(…)` and its kin.
    pub(super) fn change(&mut self, change: Change, name: &str, args: &[Arg<'_>], at: Position) -> Value {
        let Some(Shape::Gate(gate)) = args.first().and_then(|arg| arg.value.only()) else {
            return Value::any();
        };
        let mut gate = (**gate).clone();
        let said = args.get(1).map_or(Said::Not, |arg| match arg.value.exact_quantity() {
            Some(exact) => span_or_zero(&exact, "this").map_or(Said::Later, Said::Is),
            None => Said::Later,
        });
        if let Some(arg) = args.get(1)
            && change != Change::Hysteresis
        {
            self.time(&arg.value, arg.at, matches!(change, Change::Dwell | Change::Dropout));
        }
        match change {
            Change::Over | Change::Fresh => {
                if gate.joined && !gate.vague {
                    let seen = format!("a joined condition has no {name} of its own");
                    self.mistake(Kind::Value, at, seen, format!("put .{name}(…) on each of its parts"));
                } else if let [leaf] = gate.leaves.as_mut_slice() {
                    *(if change == Change::Over { &mut leaf.over } else { &mut leaf.fresh }) = said;
                }
            }
            Change::Hysteresis => self.hysteresis(&gate, args, at),
            Change::Dwell => gate.dwell = said,
            Change::Dropout => gate.dropout = said,
            Change::Limit => gate.limit = said,
            Change::Proven => gate.proven = true,
        }
        Shape::Gate(Arc::new(gate)).into()
    }

    fn hysteresis(&mut self, gate: &Gate, args: &[Arg<'_>], at: Position) {
        if gate.joined || gate.leaves.iter().any(Leaf::is_trend) {
            self.mistake(
                Kind::Value,
                at,
                "only a level or a window has a hysteresis",
                "put it on above(…), below(…) or within(…)",
            );
            return;
        }
        let [leaf] = gate.leaves.as_slice() else { return };
        let unit = leaf.channel.as_ref().and_then(|id| self.ground.facts.channels.get(id)).cloned();
        let Some(arg) = args.get(1) else { return };
        if let Some(unit) = unit {
            self.of_unit("the channel", &unit, &arg.value, arg.at);
        }
        if let Some(width) = arg.value.exact_quantity().filter(|width| width.value < 0.0) {
            let seen = format!("a hysteresis of {} is negative", words(&width));
            self.mistake(Kind::Value, arg.at, seen, "give its width");
        }
    }
}
