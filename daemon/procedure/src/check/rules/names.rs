//! Names of channels, outputs and set-up values: known, declared in the header, there on this car.

use std::collections::{BTreeMap, BTreeSet};

use model::{ChannelId, OutputId};
use rhai::Position;

use crate::check::finding::Kind;
use crate::check::flow::Life;
use crate::check::value::{Shape, Value};
use crate::check::walk::{Arg, Walker};
use crate::nearest;

/// What a name is of.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub(in crate::check) enum Thing {
    Channel,
    Output,
    Setup,
}

impl Thing {
    fn words(self) -> &'static str {
        match self {
            Self::Channel => "channel",
            Self::Output => "output",
            Self::Setup => "set-up value",
        }
    }

    fn kind(self) -> Kind {
        match self {
            Self::Channel => Kind::Channel,
            Self::Output => Kind::Output,
            Self::Setup => Kind::Setup,
        }
    }

    /// The header's key for it.
    fn key(self) -> &'static str {
        match self {
            Self::Channel => "channels",
            Self::Output => "outputs",
            Self::Setup => "setup",
        }
    }

    fn asks(self) -> &'static str {
        match self {
            Self::Setup => "has_setup",
            _ => "has_channel",
        }
    }
}

/// Names as the script uses them.
#[derive(Debug, Default)]
pub(in crate::check) struct Names {
    used: BTreeSet<(Thing, String)>,
    /// Names of the header: what of, whether the car may do without, and where they stand.
    declared: BTreeMap<(Thing, String), (bool, Position)>,
    called: BTreeSet<(String, usize)>,
    pub(in crate::check) told_header: bool,
    pub(in crate::check) told_caution: bool,
}

impl Names {
    pub(in crate::check) fn called(&mut self, function: &str, count: usize) {
        self.called.insert((function.to_string(), count));
    }

    pub(in crate::check) fn is_called(&self, function: &str, count: usize) -> bool {
        self.called.contains(&(function.to_string(), count))
    }

    pub(in crate::check) fn declare(&mut self, thing: Thing, name: &str, may: bool, at: Position) {
        self.declared.insert((thing, name.to_string()), (may, at));
    }

    /// Whether the header names a set-up value.
    pub(in crate::check) fn declares(&self, thing: Thing, name: &str) -> bool {
        self.declared.contains_key(&(thing, name.to_string()))
    }

    /// Names of the header that nothing uses, with their places.
    pub(in crate::check) fn unused(&self) -> Vec<(String, Position)> {
        let idle = self.declared.iter().filter(|(name, _)| !self.used.contains(*name));
        idle.map(|((thing, name), (_, at))| (format!("the {} '{name}'", thing.words()), *at)).collect()
    }
}

impl Walker<'_> {
    /// The car has it.
    pub(in crate::check) fn in_car(&self, thing: Thing, name: &str) -> bool {
        let facts = &self.ground.facts;
        match thing {
            Thing::Channel => ChannelId::new(name).is_ok_and(|id| facts.channels.contains_key(&id)),
            Thing::Output => OutputId::new(name).is_ok_and(|id| facts.outputs.contains_key(&id)),
            Thing::Setup => facts.setup.contains_key(name),
        }
    }

    fn of_car(&self, thing: Thing) -> Vec<&str> {
        let facts = &self.ground.facts;
        match thing {
            Thing::Channel => facts.channels.keys().map(ChannelId::as_str).collect(),
            Thing::Output => facts.outputs.keys().map(OutputId::as_str).collect(),
            Thing::Setup => facts.setup.keys().map(String::as_str).collect(),
        }
    }

    /// The cure for a name that is not known: one of the car's or of the header's.
    pub(in crate::check) fn name_cure(&self, thing: Thing, name: &str) -> String {
        let mut known = self.of_car(thing);
        for (of, other) in self.names.declared.keys() {
            if *of == thing && other != name && !known.contains(&other.as_str()) {
                known.push(other);
            }
        }
        nearest::cure(name, known.into_iter())
    }

    /// Names in an argument; `may`: the car may do without them.
    pub(super) fn name(&mut self, thing: Thing, arg: &Arg<'_>, may: bool) {
        self.names_in(thing, &arg.value, arg.at, may);
    }

    /// Names in a list.
    pub(super) fn name_list(&mut self, thing: Thing, arg: &Arg<'_>) {
        match arg.value.only() {
            Some(Shape::List(items)) => {
                for (place, item) in items.clone().iter().enumerate() {
                    self.names_in(thing, item, arg.element_at(place), false);
                }
                if items.is_empty() {
                    let seen = format!("the list of {}s is empty", thing.words());
                    self.mistake(Kind::Value, arg.at, seen, "name at least one");
                }
            }
            Some(Shape::ListOf(like)) => self.names_in(thing, &like.clone(), arg.at, false),
            _ => self.later(thing, arg.at),
        }
    }

    fn names_in(&mut self, thing: Thing, value: &Value, at: Position, may: bool) {
        if value.shapes().is_empty() {
            return;
        }
        let Some(names) = value.texts() else {
            let texty = value.shapes().iter().any(|shape| matches!(shape, Shape::Text(_) | Shape::Any));
            if texty {
                self.later(thing, at);
            } else {
                let seen =
                    format!("the name of a {} is a text, and this is a {}", thing.words(), value.words());
                self.mistake(Kind::Arguments, at, seen, "put it into quotes");
            }
            return;
        };
        for name in names.into_iter().map(ToString::to_string).collect::<Vec<_>>() {
            self.one_name(thing, &name, at, may);
        }
    }

    fn later(&mut self, thing: Thing, at: Position) {
        let seen = format!("which {} this is, is known only when the procedure runs", thing.words());
        self.undecided(thing.kind(), at, seen, "");
    }

    fn one_name(&mut self, thing: Thing, name: &str, at: Position, may: bool) {
        let known = (thing, name.to_string());
        let declared = self.names.declared.get(&known).copied();
        let there = self.in_car(thing, name);
        let what = thing.words();
        self.names.used.insert(known);
        match declared {
            // Told once, where the header stands or should.
            None if self.header.is_none() && there => {}
            None if !there => {
                let cure = self.name_cure(thing, name);
                self.mistake(thing.kind(), at, format!("no {what} '{name}'"), cure);
            }
            None => {
                let key = if may { format!("may_{}", thing.key()) } else { thing.key().to_string() };
                self.mistake(
                    Kind::Undeclared,
                    at,
                    format!("the header does not name the {what} '{name}'"),
                    format!("add it to {key}: […] in procedure(…)"),
                );
            }
            Some((true, _)) if !there && !may && self.flow.life == Life::Live => {
                self.mistake(
                    thing.kind(),
                    at,
                    format!("this car has no {what} '{name}', and it is used without asking for it"),
                    format!("ask first: if {}(\"{name}\") {{ … }}", thing.asks()),
                );
            }
            // A name that the car lacks is told at the header.
            Some(_) => {}
        }
    }
}
