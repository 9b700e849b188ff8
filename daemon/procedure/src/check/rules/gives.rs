//! What a call gives.

use std::any::TypeId;

use model::Unit;

use crate::check::value::{Shape, Value};
use crate::check::walk::{Arg, Walker};
use crate::host::sense::{Gives, Of};

impl Walker<'_> {
    pub(super) fn given(&self, gives: Gives, of_type: TypeId, args: &[Arg<'_>]) -> Value {
        match gives {
            Gives::Plain => Shape::of_type(of_type).into(),
            Gives::Quantity(of) => Value::amount(self.unit_like(of, args)),
            Gives::Measurement(of) => Shape::Measured(self.unit_like(of, args)).into(),
            Gives::Trace(of) => Shape::Trace(self.unit_like(of, args)).into(),
            Gives::Maybe(this) => self.given(*this, of_type, args).or(Value::nothing()),
            Gives::Whole => Shape::Int(None).into(),
            Gives::Text => Shape::Text(None).into(),
            Gives::Texts => Shape::ListOf(Box::new(Shape::Text(None).into())).into(),
            Gives::Words(words) => {
                words.iter().fold(Value::default(), |value, word| value.or(Value::text(*word)))
            }
            Gives::OneOf(place) => match args.get(place).and_then(|arg| arg.value.only()) {
                Some(Shape::List(items)) if !items.is_empty() => {
                    items.iter().fold(Value::default(), |value, item| value.or(item.clone()))
                }
                _ => Shape::Text(None).into(),
            },
            Gives::Record(entries) => {
                let entry = |(key, gives): &(&str, Gives)| {
                    let any = TypeId::of::<rhai::Dynamic>();
                    ((*key).to_string(), self.given(*gives, any, args))
                };
                Shape::Map { entries: entries.iter().map(entry).collect(), open: false }.into()
            }
        }
    }

    fn unit_like(&self, of: Of, args: &[Arg<'_>]) -> Option<Unit> {
        match of {
            Of::Unit(code) => Unit::new(code).ok(),
            Of::Like(place) => {
                let value = &args.get(place)?.value;
                let Some(names) = value.texts().filter(|names| !names.is_empty()) else {
                    return value.unit();
                };
                // A channel that is one of several has a unit where they all have the same.
                let mut units = names.into_iter().map(|name| self.unit_of(name));
                let first = units.next()??;
                units.all(|unit| unit == Some(first)).then(|| first.clone())
            }
        }
    }
}
