//! What each argument must be by its role.

use model::{OutputId, Unit};
use rhai::Position;

use super::names::Thing;
use crate::check::finding::Kind;
use crate::check::value::{Shape, Value};
use crate::check::walk::{Arg, Walker, amount};
use crate::host::quantity::{span, span_or_zero, unit_words};
use crate::host::sense::{Form, Role};
use crate::room::Fail;

impl Walker<'_> {
    pub(super) fn roles(&mut self, form: &Form, args: &[Arg<'_>]) {
        for (role, arg) in form.sense.roles.iter().zip(args) {
            match role {
                Role::Plain => {}
                Role::Channel => self.name(Thing::Channel, arg, false),
                Role::Channels => self.name_list(Thing::Channel, arg),
                Role::MayChannel => self.name(Thing::Channel, arg, true),
                Role::Output => self.name(Thing::Output, arg, false),
                Role::Setup => self.name(Thing::Setup, arg, false),
                Role::MaySetup => self.name(Thing::Setup, arg, true),
                Role::Writes | Role::Reads | Role::Asks => {
                    if self.said(arg, "the key of a note") {
                        self.note_key(*role, arg);
                    }
                }
                Role::Time => self.time(&arg.value, arg.at, false),
                Role::Said => {
                    self.said(arg, "this text");
                }
                Role::Like(place) => {
                    if let Some(subject) = args.get(*place) {
                        let of = form.sense.roles.get(*place).copied().unwrap_or(Role::Plain);
                        self.like(of, subject, arg);
                    }
                }
            }
        }
    }

    /// Whether a text says something, as far as it is known.
    fn said(&mut self, arg: &Arg<'_>, what: &str) -> bool {
        let empty = arg.value.exact_text().is_some_and(|text| text.trim().is_empty());
        if empty {
            self.mistake(Kind::Text, arg.at, format!("{what} is empty"), "say it in words");
        }
        !empty
    }

    /// A length of time.
    pub(super) fn time(&mut self, value: &Value, at: Position, zero: bool) {
        if let Some(exact) = value.exact_quantity() {
            let judged = if zero { span_or_zero(&exact, "this") } else { span(&exact, "this") };
            if let Err(Fail::Refused(problem)) = judged {
                let second = Unit::new("s").is_ok_and(|second| second.compatible(&exact.unit));
                let kind = if second { Kind::Value } else { Kind::Unit };
                self.mistake(kind, at, problem.seen, problem.cure);
            }
            return;
        }
        let unit = value.unit();
        let second = Unit::new("s").ok();
        if let (Some(unit), Some(second)) = (unit, second)
            && !unit.compatible(&second)
        {
            let seen = format!("a length of time is wanted, and this is a quantity in {}", unit_words(&unit));
            self.mistake(Kind::Unit, at, seen, "give it as 5.seconds");
        }
    }

    /// The units of what an argument stands for, with its words.
    pub(super) fn units_of(&self, role: Role, arg: &Arg<'_>) -> Vec<(String, Unit)> {
        let texts = || arg.value.texts().unwrap_or_default();
        match role {
            Role::Channel | Role::MayChannel => {
                let unit = |name: &str| Some((format!("'{name}'"), self.unit_of(name)?.clone()));
                texts().into_iter().filter_map(unit).collect()
            }
            Role::Output => {
                let unit = |name: &str| {
                    let id = OutputId::new(name).ok()?;
                    Some((format!("'{name}'"), self.ground.facts.outputs.get(&id)?.unit.clone()))
                };
                texts().into_iter().filter_map(unit).collect()
            }
            _ => arg.value.unit().map(|unit| ("the other".to_string(), unit)).into_iter().collect(),
        }
    }

    /// A value of the kind of another argument.
    fn like(&mut self, role: Role, subject: &Arg<'_>, arg: &Arg<'_>) {
        for (whose, unit) in self.units_of(role, subject) {
            self.of_unit(&whose, &unit, &arg.value, arg.at);
        }
    }

    /// A value that must be measured in a unit.
    pub(super) fn of_unit(&mut self, whose: &str, unit: &Unit, value: &Value, at: Position) {
        let Some(given) = value.unit() else { return };
        if given.compatible(unit) {
            return;
        }
        let number = match value.only() {
            Some(Shape::Amount { value, .. }) => *value,
            _ => None,
        };
        let want = unit_words(unit);
        self.mistake(
            Kind::Unit,
            at,
            format!("{whose} is measured in {want}, and this is {}", amount(&given, number)),
            format!("give it in {want}, or with the UCUM code: quantity(…, \"{}\")", unit.code()),
        );
    }
}
