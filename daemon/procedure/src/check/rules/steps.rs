//! The header and the steps.

use model::{ChannelId, IdError, OutputId, StepId};
use rhai::{Map, Position};

use super::names::Thing;
use crate::check::finding::Kind;
use crate::check::value::{Shape, Value};
use crate::check::walk::{Arg, Walker};
use crate::host::registration::header;
use crate::room::Fail;

/// Keys of the header that hold names: what of, and whether the car may do without.
const LISTS: [(&str, Thing, bool); 5] = [
    ("channels", Thing::Channel, false),
    ("outputs", Thing::Output, false),
    ("setup", Thing::Setup, false),
    ("may_channels", Thing::Channel, true),
    ("may_setup", Thing::Setup, true),
];

impl Walker<'_> {
    /// `procedure(name, needs)`.
    pub(super) fn declare_header(&mut self, args: &[Arg<'_>], at: Position) -> Value {
        if self.flow.header && self.flow.is_live() {
            self.mistake(
                Kind::Header,
                at,
                "procedure(…) is called a second time",
                "call it once, at the top of the script",
            );
            return Value::nothing();
        }
        self.flow.header = true;
        let [name, needs] = args else { return Value::nothing() };
        let Some(Shape::Map { entries, .. }) = needs.value.only() else { return Value::nothing() };
        let entries = entries.clone();
        self.keys(needs, entries.keys().map(String::as_str), &header::KEYS, "procedure(…)");
        for (key, thing, may) in LISTS {
            let list = entries.get(key).and_then(Value::only).cloned();
            if let Some(Shape::List(items)) = list {
                let list = Arg { value: Value::any(), at: needs.key_at(key), expr: needs.entry(key) };
                for (place, item) in items.iter().enumerate() {
                    self.declared_name(thing, item, may, list.element_at(place));
                }
            }
        }
        let map: Option<Map> = entries
            .iter()
            .filter(|(key, _)| header::KEYS.contains(&key.as_str()))
            .map(|(key, value)| Some((key.as_str().into(), value.exact()?)))
            .collect();
        let Some((name, map)) = name.value.exact_text().zip(map) else {
            self.undecided(
                Kind::Header,
                at,
                "what the header says is known only when the procedure runs",
                "",
            );
            return Value::nothing();
        };
        match header::read(name, map) {
            Ok(header) => self.header = Some(header),
            Err(Fail::Refused(problem)) => self.mistake(Kind::Header, at, problem.seen, problem.cure),
            Err(_) => {}
        }
        Value::nothing()
    }

    fn declared_name(&mut self, thing: Thing, item: &Value, may: bool, at: Position) {
        let Some(name) = item.exact_text().map(ToString::to_string) else { return };
        let there = self.in_car(thing, &name);
        let cure = self.name_cure(thing, &name);
        self.names.declare(thing, &name, may, at);
        let bad = |error: IdError| error.to_string();
        let wrong = match thing {
            Thing::Channel => ChannelId::new(&name).err().map(bad),
            Thing::Output => OutputId::new(&name).err().map(bad),
            Thing::Setup => None,
        };
        let (what, kind) = match thing {
            Thing::Channel => ("channel", Kind::Channel),
            Thing::Output => ("output", Kind::Output),
            Thing::Setup => ("set-up value", Kind::Setup),
        };
        if let Some(wrong) = wrong {
            self.mistake(Kind::Text, at, wrong, "");
        } else if !there && !may {
            self.mistake(kind, at, format!("the car's description has no {what} '{name}'"), cure);
        } else if !there && cure.starts_with("did you") {
            let seen = format!("this car has no {what} '{name}', which it may do without");
            self.hint(kind, at, seen, cure);
        }
    }

    /// A step that may begin: its name can be one and is new, and no other step is open. Gives its name.
    pub(super) fn begins(&mut self, arg: &Arg<'_>) -> Option<String> {
        let Some(name) = arg.value.exact_text().map(ToString::to_string) else {
            self.undecided(
                Kind::Step,
                arg.at,
                "the name of this step is known only when the procedure runs",
                "",
            );
            return None;
        };
        if let Err(error) = StepId::new(&name) {
            self.mistake(Kind::Text, arg.at, error.to_string(), "");
        } else if let Some(open) = self.flow.step.clone() {
            self.mistake(
                Kind::Step,
                arg.at,
                format!("step '{name}' begins inside step '{open}'"),
                "end one step before the next: steps are what a run is taken up again at",
            );
        } else if self.flow.steps.contains(&name) {
            let seen = format!("there was a step '{name}' before");
            self.mistake(Kind::Step, arg.at, seen, "give every step its own name");
        }
        Some(name)
    }

    /// `step(name, title, closure)`.
    pub(super) fn step(&mut self, args: &[Arg<'_>], _at: Position) -> Value {
        let [name, _, body] = args else { return Value::nothing() };
        let name = self.begins(name);
        let around = self.flow.step.clone();
        self.flow.step = Some(name.clone().unwrap_or_default());
        if let Some(Shape::Closure(closure)) = body.value.only().cloned() {
            self.run_closure(&closure, Vec::new());
        }
        self.flow.step = around;
        self.flow.steps.extend(name);
        Value::nothing()
    }

    /// `skip(name, title, reason)`.
    pub(super) fn new_step(&mut self, args: &[Arg<'_>], _at: Position) -> Value {
        if let Some(arg) = args.first() {
            let name = self.begins(arg);
            self.flow.steps.extend(name);
        }
        Value::nothing()
    }
}
