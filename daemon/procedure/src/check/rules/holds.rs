//! Holds, and what hangs on the car's description.

use model::{OutputId, Quantity};

use super::names::Thing;
use crate::check::finding::Kind;
use crate::check::flow::Life;
use crate::check::value::{Shape, Value};
use crate::check::walk::{Arg, Walker};
use crate::facts::{OutputFact, SetupFact};
use crate::host::quantity::{span, words};
use crate::host::registration::holds::KEYS;
use crate::host::sense::{Gives, Role};
use rhai::Dynamic;
use std::any::TypeId;

impl Walker<'_> {
    fn output(&self, arg: &Arg<'_>) -> Option<(OutputId, OutputFact)> {
        let id = OutputId::new(arg.value.exact_text()?).ok()?;
        let fact = self.ground.facts.outputs.get(&id)?.clone();
        Some((id, fact))
    }

    /// `hold(output, value, bounds, closure)` and its kin.
    pub(super) fn hold(&mut self, args: &[Arg<'_>], goes_on: bool, gives: Gives) -> Value {
        let [name, value, bounds, body] = args else { return Value::any() };
        let output = self.output(name);
        if let Some((id, fact)) = &output {
            if self.flow.held.contains(id) && self.flow.is_live() {
                let seen = format!("'{id}' is held already");
                self.mistake(Kind::Hold, name.at, seen, "leave the first hold before the second");
            }
            self.held_value(id, fact, value);
        }
        self.bounds(bounds, output.as_ref());
        let before = self.flow.clone();
        let held = output.map(|(id, _)| id);
        self.flow.held.extend(held.clone());
        let mut given = Value::any();
        if let Some(Shape::Closure(closure)) = body.value.only().cloned() {
            given = self.run_closure(&closure, Vec::new());
        }
        if let Some(id) = held
            && !before.held.contains(&id)
        {
            self.flow.held.remove(&id);
        }
        if !goes_on {
            return given;
        }
        // It may be refused, or end anywhere on the way.
        let after = self.flow.clone();
        self.flow = Self::either(before, after);
        let mut map = self.given(gives, TypeId::of::<Dynamic>(), args);
        if let Some(Shape::Map { entries, open }) = map.only() {
            let (mut entries, open) = (entries.clone(), *open);
            entries.insert("value".into(), given.or(Value::nothing()));
            map = Shape::Map { entries, open }.into();
        }
        map
    }

    fn held_value(&mut self, id: &OutputId, fact: &OutputFact, arg: &Arg<'_>) {
        let Some(value) = arg.value.exact_quantity() else {
            if arg.value.unit().is_none_or(|unit| unit.compatible(&fact.unit)) {
                let seen = format!("at what '{id}' is held is known only when the procedure runs");
                let edge = |v: f64| words(&Quantity::new(v, fact.unit.clone()));
                let cure = format!("its description allows {} to {}", edge(fact.low), edge(fact.high));
                self.undecided(Kind::Hold, arg.at, seen, cure);
            }
            return;
        };
        let Ok(own) = value.to(&fact.unit) else { return };
        if !(fact.low..=fact.high).contains(&own.value) {
            let edge = |v: f64| words(&Quantity::new(v, fact.unit.clone()));
            let seen = format!("'{id}' cannot be held at {}", words(&value));
            let cure = format!("its description allows {} to {}", edge(fact.low), edge(fact.high));
            self.mistake(Kind::Hold, arg.at, seen, cure);
        }
    }

    fn bounds(&mut self, arg: &Arg<'_>, output: Option<&(OutputId, OutputFact)>) {
        let Some(Shape::Map { entries, open }) = arg.value.only() else {
            self.undecided(
                Kind::Hold,
                arg.at,
                "the bounds of this hold are known only when the procedure runs",
                "",
            );
            return;
        };
        let (entries, open) = (entries.clone(), *open);
        let name = output.map_or("this output".to_string(), |(id, _)| format!("'{id}'"));
        self.keys(arg, entries.keys().map(String::as_str), &KEYS, "hold(…)");
        match entries.get("at_most") {
            None if open => {}
            None => self.mistake(
                Kind::Hold,
                arg.at,
                format!("the hold of {name} has no bound"),
                "say how long at the most: #{ at_most: 20.seconds }",
            ),
            Some(at_most) => self.at_most(arg, at_most, output),
        }
        match entries.get("drop_if") {
            Some(list) => {
                let at = arg.entry("drop_if").map_or(arg.at, rhai::Expr::start_position);
                let list = Arg { value: list.clone(), at, expr: arg.entry("drop_if") };
                self.bare_conditions(std::slice::from_ref(&list), "drop_if");
            }
            None => {
                let readable = output.is_some_and(|(_, fact)| fact.reads_while_held);
                if !open && readable && self.flow.life == Life::Live {
                    let seen = format!("nothing drops the hold of {name} but its end");
                    let cure = "name what must not happen meanwhile: drop_if: [below(\"rpm\", …)]";
                    self.hint(Kind::Hold, arg.at, seen, cure);
                }
            }
        }
    }

    fn at_most(&mut self, arg: &Arg<'_>, at_most: &Value, output: Option<&(OutputId, OutputFact)>) {
        let at = arg.entry("at_most").map_or(arg.at, rhai::Expr::start_position);
        if !at_most.shapes().iter().any(|s| matches!(s, Shape::Amount { .. } | Shape::Any)) {
            let seen = format!("at_most must be a time, and this is a {}", at_most.words());
            self.mistake(Kind::Arguments, at, seen, "give it as 20.seconds");
            return;
        }
        self.time(at_most, at, false);
        let Some(exact) = at_most.exact_quantity() else {
            self.undecided(Kind::Hold, at, "how long this is held is known only when the procedure runs", "");
            return;
        };
        if let (Some((id, fact)), Ok(most)) = (output, span(&exact, "at_most"))
            && most > fact.longest
        {
            let seen = format!("'{id}' cannot be held for {most}");
            let cure = format!("its description allows {} at the most", fact.longest);
            self.mistake(Kind::Hold, at, seen, cure);
        }
    }

    /// `reads_while_held(output)`.
    pub(super) fn reads_while_held(&mut self, args: &[Arg<'_>]) -> Value {
        let reads = args.first().and_then(|arg| self.output(arg)).map(|(_, fact)| fact.reads_while_held);
        Shape::Flag { value: reads, car: true }.into()
    }

    /// Whether the car has a channel or a set-up value.
    pub(super) fn has(&mut self, roles: &[Role], args: &[Arg<'_>]) -> Value {
        let thing = if roles.first() == Some(&Role::MaySetup) { Thing::Setup } else { Thing::Channel };
        let name = args.first().and_then(|arg| arg.value.exact_text());
        Shape::Flag { value: name.map(|name| self.in_car(thing, name)), car: true }.into()
    }

    /// `setup(name)`.
    pub(super) fn setup(&mut self, args: &[Arg<'_>]) -> Value {
        let names = args.first().and_then(|arg| arg.value.texts()).unwrap_or_default();
        let value = names.iter().fold(Value::default(), |value, name| {
            value.or(match self.ground.facts.setup.get(*name) {
                Some(SetupFact::Value(quantity)) => Value::quantity(quantity),
                Some(SetupFact::Window { low, high }) => {
                    let high = high.to(&low.unit).map(|high| high.value).ok();
                    let unit = Some(low.unit.clone());
                    Shape::Window { unit, low: Some(low.value), high }.into()
                }
                None => Value::any(),
            })
        });
        if value.shapes().is_empty() { Value::any() } else { value }
    }
}
