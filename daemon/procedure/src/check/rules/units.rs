//! Quantities and windows: made, converted, taken apart.

use model::{Quantity, Unit};
use rhai::Position;

use crate::check::finding::Kind;
use crate::check::value::{Shape, Value};
use crate::check::walk::{Arg, Walker, amount};
use crate::host::quantity::{compare, words};
use crate::host::sense::Edge;

impl Walker<'_> {
    /// A number, with its unit put behind it.
    pub(super) fn with_unit(args: &[Arg<'_>], code: &str) -> Value {
        let value = args.first().and_then(|arg| match arg.value.only()? {
            Shape::Int(number) => number.map(|n| n as f64),
            Shape::Float(number) => *number,
            _ => None,
        });
        Shape::Amount { unit: Unit::new(code).ok(), value }.into()
    }

    fn code(&mut self, arg: &Arg<'_>) -> Option<Unit> {
        match Unit::new(arg.value.exact_text()?) {
            Ok(unit) => Some(unit),
            Err(error) => {
                self.mistake(
                    Kind::Unit,
                    arg.at,
                    error.to_string(),
                    "give a UCUM code, as in \"Cel\" or \"V\"",
                );
                None
            }
        }
    }

    /// `quantity(number, code)`.
    pub(super) fn by_code(&mut self, args: &[Arg<'_>]) -> Value {
        let Some(arg) = args.get(1) else { return Value::amount(None) };
        let Some(unit) = self.code(arg) else { return Value::amount(None) };
        Self::with_unit(args, unit.code())
    }

    /// `quantity.to(code)`.
    pub(super) fn convert(&mut self, args: &[Arg<'_>]) -> Value {
        let [subject, arg] = args else { return Value::amount(None) };
        let Some(unit) = self.code(arg) else { return Value::amount(None) };
        if let Some(from) = subject.value.unit()
            && !from.compatible(&unit)
        {
            let seen = format!("{} is no {unit}: they measure different things", amount(&from, None));
            self.mistake(Kind::Unit, arg.at, seen, "");
        }
        match subject.value.exact_quantity().and_then(|quantity| quantity.to(&unit).ok()) {
            Some(quantity) => Value::quantity(&quantity),
            None => Value::amount(Some(unit)),
        }
    }

    /// `quantity.abs()`.
    pub(super) fn size(args: &[Arg<'_>]) -> Value {
        match args.first().and_then(|arg| arg.value.only()) {
            Some(Shape::Amount { unit, value }) => {
                Shape::Amount { unit: unit.clone(), value: value.map(f64::abs) }.into()
            }
            _ => Value::amount(args.first().and_then(|arg| arg.value.unit())),
        }
    }

    /// `window(low, high)`.
    pub(super) fn window(&mut self, args: &[Arg<'_>], at: Position) -> Value {
        let [low, high] = args else { return Value::any() };
        self.edges(&low.value, &high.value, at)
    }

    /// A window between two values, which must not be empty.
    pub(super) fn edges(&mut self, low: &Value, high: &Value, at: Position) -> Value {
        if let (Some(a), Some(b)) = (low.exact_quantity(), high.exact_quantity()) {
            if matches!(compare(&a, &b), Ok(order) if order != Some(std::cmp::Ordering::Less)) {
                let seen = format!("the window from {} to {} is empty", words(&a), words(&b));
                self.mistake(Kind::Value, at, seen, "give the lower edge first");
            }
            if let Ok(b) = b.to(&a.unit) {
                let (low, high) = (Some(a.value), Some(b.value));
                return Shape::Window { unit: Some(a.unit), low, high }.into();
            }
        }
        let unit = low.unit().or_else(|| high.unit());
        Shape::Window { unit, low: None, high: None }.into()
    }

    /// A part of a window.
    pub(super) fn edge(args: &[Arg<'_>], edge: Edge) -> Value {
        let Some(Shape::Window { unit, low, high }) = args.first().and_then(|arg| arg.value.only()) else {
            return Value::amount(None);
        };
        let value = match edge {
            Edge::Low => *low,
            Edge::High => *high,
            Edge::Middle => low.zip(*high).map(|(low, high)| f64::midpoint(low, high)),
            Edge::Width => low.zip(*high).map(|(low, high)| high - low),
        };
        match (unit, value) {
            (Some(unit), Some(value)) => Value::quantity(&Quantity::new(value, unit.clone())),
            _ => Value::amount(unit.clone()),
        }
    }
}
