//! What is known of a value before the script runs: one or several shapes that it may have.

use std::any::TypeId;
use std::collections::BTreeMap;
use std::sync::Arc;

use model::{Quantity, Unit};
use rhai::{Array, Dynamic, FLOAT, FnPtr, INT, ImmutableString, Map};

use super::gate::Gate;
use crate::host::fault::Fault;
use crate::host::gate_spec::GateSpec;
use crate::host::registration::setup::Window;
use crate::host::registration::traces::Trace;
use crate::host::registration::values::Measurement;

/// More alternatives than this are no knowledge.
const MOST_SHAPES: usize = 16;

/// A closure with what it captured.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Closure {
    /// Its name among the functions of the tree.
    pub(super) name: String,
    /// What it captured, with the places where that is kept, in the order of its first parameters.
    pub(super) captured: Vec<Option<u32>>,
}

/// One shape.
#[derive(Debug, Clone, PartialEq)]
pub(super) enum Shape {
    /// `()`.
    Nothing,
    /// Yes or no; `car`: its value hangs on the car's description.
    Flag {
        value: Option<bool>,
        car: bool,
    },
    Int(Option<INT>),
    Float(Option<FLOAT>),
    Text(Option<ImmutableString>),
    Char,
    /// A quantity.
    Amount {
        unit: Option<Unit>,
        value: Option<f64>,
    },
    Window {
        unit: Option<Unit>,
        low: Option<f64>,
        high: Option<f64>,
    },
    Measured(Option<Unit>),
    Trace(Option<Unit>),
    Gate(Arc<Gate>),
    /// A list of known length.
    List(Vec<Value>),
    /// A list of any length with elements like this.
    ListOf(Box<Value>),
    /// A map; `open`: it may have other entries as well.
    Map {
        entries: BTreeMap<String, Value>,
        open: bool,
    },
    Closure(Arc<Closure>),
    /// A range; `some`: there is certainly something in it.
    Range {
        some: bool,
    },
    /// What a script catches.
    Refusal,
    /// Anything.
    Any,
}

/// What is known of a value. No shape at all: there is no such value, because nothing gets there.
#[derive(Debug, Clone, PartialEq, Default)]
pub(super) struct Value {
    shapes: Vec<Shape>,
}

impl From<Shape> for Value {
    fn from(shape: Shape) -> Self {
        Self { shapes: vec![shape] }
    }
}

impl Value {
    pub(super) fn any() -> Self {
        Shape::Any.into()
    }

    pub(super) fn nothing() -> Self {
        Shape::Nothing.into()
    }

    pub(super) fn flag(value: Option<bool>) -> Self {
        Shape::Flag { value, car: false }.into()
    }

    pub(super) fn text(text: impl Into<ImmutableString>) -> Self {
        Shape::Text(Some(text.into())).into()
    }

    pub(super) fn amount(unit: Option<Unit>) -> Self {
        Shape::Amount { unit, value: None }.into()
    }

    pub(super) fn quantity(quantity: &Quantity) -> Self {
        Shape::Amount { unit: Some(quantity.unit.clone()), value: Some(quantity.value) }.into()
    }

    pub(super) fn shapes(&self) -> &[Shape] {
        &self.shapes
    }

    /// The one shape, where there is no other.
    pub(super) fn only(&self) -> Option<&Shape> {
        match self.shapes.as_slice() {
            [one] => Some(one),
            _ => None,
        }
    }

    pub(super) fn is_any(&self) -> bool {
        self.shapes.contains(&Shape::Any)
    }

    /// Whether it may be `()`, as far as that is known.
    pub(super) fn may_be_nothing(&self) -> bool {
        self.shapes.len() > 1 && self.shapes.contains(&Shape::Nothing)
    }

    /// Only the shapes that pass.
    pub(super) fn retain(&self, keep: impl Fn(&Shape) -> bool) -> Self {
        Self { shapes: self.shapes.iter().filter(|shape| keep(shape)).cloned().collect() }
    }

    /// Either of two values.
    pub(super) fn or(self, other: Self) -> Self {
        let mut joined = self;
        for shape in other.shapes {
            joined.add(shape);
        }
        joined
    }

    fn add(&mut self, new: Shape) {
        if self.is_any() || self.shapes.contains(&new) {
            return;
        }
        if new == Shape::Any {
            self.shapes = vec![new];
            return;
        }
        for shape in &mut self.shapes {
            if let Some(joined) = shape.absorb(&new) {
                *shape = joined;
                return;
            }
        }
        self.shapes.push(new);
        if self.shapes.len() > MOST_SHAPES {
            let mut few = Self::default();
            for shape in std::mem::take(&mut self.shapes) {
                few.add(shape.widened());
            }
            *self = if few.shapes.len() > MOST_SHAPES { Self::any() } else { few };
        }
    }

    /// Without what a loop may change from round to round.
    pub(super) fn widened(&self) -> Self {
        let mut wide = Self::default();
        for shape in &self.shapes {
            wide.add(shape.widened());
        }
        wide
    }

    pub(super) fn truth(&self) -> Truth {
        match self.only() {
            Some(Shape::Flag { value: Some(value), car }) => Truth::Known { value: *value, car: *car },
            _ => Truth::Open,
        }
    }

    /// The exact text, where it is one.
    pub(super) fn exact_text(&self) -> Option<&str> {
        match self.only()? {
            Shape::Text(Some(text)) => Some(text),
            _ => None,
        }
    }

    /// Every text that it may be, where all are known.
    pub(super) fn texts(&self) -> Option<Vec<&str>> {
        let mut texts = Vec::new();
        for shape in &self.shapes {
            match shape {
                Shape::Text(Some(text)) => texts.push(text.as_str()),
                _ => return None,
            }
        }
        Some(texts)
    }

    /// The unit of a value that has one in all its shapes.
    pub(super) fn unit(&self) -> Option<Unit> {
        let mut found: Option<Unit> = None;
        for shape in &self.shapes {
            let unit = match shape {
                Shape::Amount { unit, .. }
                | Shape::Window { unit, .. }
                | Shape::Measured(unit)
                | Shape::Trace(unit) => unit.clone()?,
                Shape::Nothing => continue,
                _ => return None,
            };
            if found.as_ref().is_some_and(|other| *other != unit) {
                return None;
            }
            found = Some(unit);
        }
        found
    }

    /// The exact quantity, where it is one.
    pub(super) fn exact_quantity(&self) -> Option<Quantity> {
        match self.only()? {
            Shape::Amount { unit: Some(unit), value: Some(value) } => {
                Some(Quantity::new(*value, unit.clone()))
            }
            _ => None,
        }
    }

    /// The value itself, where everything about it is known.
    pub(super) fn exact(&self) -> Option<Dynamic> {
        Some(match self.only()? {
            Shape::Nothing => Dynamic::UNIT,
            Shape::Flag { value, .. } => Dynamic::from_bool((*value)?),
            Shape::Int(value) => Dynamic::from_int((*value)?),
            Shape::Float(value) => Dynamic::from_float((*value)?),
            Shape::Text(text) => text.clone()?.into(),
            Shape::Amount { .. } => Dynamic::from(self.exact_quantity()?),
            Shape::List(items) => {
                Dynamic::from_array(items.iter().map(Self::exact).collect::<Option<Array>>()?)
            }
            Shape::Map { entries, open: false } => {
                let entry = |(key, value): (&String, &Self)| Some((key.as_str().into(), value.exact()?));
                Dynamic::from_map(entries.iter().map(entry).collect::<Option<Map>>()?)
            }
            _ => return None,
        })
    }

    /// What a constant of the language is.
    pub(super) fn of(value: &Dynamic) -> Self {
        if value.is_unit() {
            return Self::nothing();
        }
        if let Ok(flag) = value.as_bool() {
            return Self::flag(Some(flag));
        }
        if let Ok(number) = value.as_int() {
            return Shape::Int(Some(number)).into();
        }
        if let Ok(number) = value.as_float() {
            return Shape::Float(Some(number)).into();
        }
        if let Ok(text) = value.clone().into_immutable_string() {
            return Self::text(text);
        }
        if let Some(items) = value.read_lock::<Array>() {
            return Shape::List(items.iter().map(Self::of).collect()).into();
        }
        if let Some(map) = value.read_lock::<Map>() {
            let entries = map.iter().map(|(key, value)| (key.to_string(), Self::of(value))).collect();
            return Shape::Map { entries, open: false }.into();
        }
        Self::any()
    }
}

/// What is known of a condition.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Truth {
    /// It comes out this way; `car`: on this car.
    Known { value: bool, car: bool },
    /// It may come out either way.
    Open,
}

impl Shape {
    fn widened(&self) -> Self {
        match self {
            Self::Flag { car, .. } => Self::Flag { value: None, car: *car },
            Self::Int(_) => Self::Int(None),
            Self::Float(_) => Self::Float(None),
            Self::Text(_) => Self::Text(None),
            Self::Amount { unit, .. } => Self::Amount { unit: unit.clone(), value: None },
            Self::Window { unit, .. } => Self::Window { unit: unit.clone(), low: None, high: None },
            Self::List(items) => {
                let like = items.iter().fold(Value::default(), |like, item| like.or(item.widened()));
                Self::ListOf(Box::new(like))
            }
            Self::ListOf(like) => Self::ListOf(Box::new(like.widened())),
            Self::Map { entries, open } => {
                let entries = entries.iter().map(|(key, value)| (key.clone(), value.widened())).collect();
                Self::Map { entries, open: *open }
            }
            other => other.clone(),
        }
    }

    /// The two as one shape, where nothing worth knowing is lost by that.
    fn absorb(&self, other: &Self) -> Option<Self> {
        Some(match (self, other) {
            (Self::Flag { car: a, value: x }, Self::Flag { car: b, value: y }) => {
                let value = if x == y { *x } else { None };
                Self::Flag { value, car: *a || *b }
            }
            (Self::Int(None), Self::Int(_)) | (Self::Int(_), Self::Int(None)) => Self::Int(None),
            (Self::Float(_), Self::Float(_)) => Self::Float(None),
            (Self::Text(None), Self::Text(_)) | (Self::Text(_), Self::Text(None)) => Self::Text(None),
            (Self::Amount { unit: a, .. }, Self::Amount { unit: b, .. }) if a == b => {
                Self::Amount { unit: a.clone(), value: None }
            }
            (Self::Amount { unit: None, .. }, Self::Amount { .. })
            | (Self::Amount { .. }, Self::Amount { unit: None, .. }) => {
                Self::Amount { unit: None, value: None }
            }
            (Self::Window { unit: a, .. }, Self::Window { unit: b, .. }) if a == b => {
                Self::Window { unit: a.clone(), low: None, high: None }
            }
            (Self::Measured(None), Self::Measured(_)) | (Self::Measured(_), Self::Measured(None)) => {
                Self::Measured(None)
            }
            (Self::ListOf(a), Self::ListOf(b)) => Self::ListOf(Box::new((**a).clone().or((**b).clone()))),
            (Self::ListOf(a), Self::List(items)) | (Self::List(items), Self::ListOf(a)) => {
                let like = items.iter().fold((**a).clone(), |like, item| like.or(item.clone()));
                Self::ListOf(Box::new(like))
            }
            (Self::List(a), Self::List(b)) => {
                let like = a.iter().chain(b).fold(Value::default(), |like, item| like.or(item.clone()));
                Self::ListOf(Box::new(like))
            }
            (Self::Map { entries: a, open: p }, Self::Map { entries: b, open: q }) => {
                let mut entries = a.clone();
                // What only one of the two has may be missing.
                let open = *p || *q || a.len() != b.len() || a.keys().any(|key| !b.contains_key(key));
                for (key, value) in b {
                    let old = entries.remove(key).unwrap_or_default();
                    entries.insert(key.clone(), old.or(value.clone()));
                }
                Self::Map { entries, open }
            }
            _ => return None,
        })
    }

    /// The Rust type, where it is one that functions are registered for.
    pub(super) fn type_id(&self) -> Option<TypeId> {
        Some(match self {
            Self::Nothing => TypeId::of::<()>(),
            Self::Flag { .. } => TypeId::of::<bool>(),
            Self::Int(_) => TypeId::of::<INT>(),
            Self::Float(_) => TypeId::of::<FLOAT>(),
            Self::Text(_) => TypeId::of::<ImmutableString>(),
            Self::Char => TypeId::of::<char>(),
            Self::Amount { .. } => TypeId::of::<Quantity>(),
            Self::Window { .. } => TypeId::of::<Window>(),
            Self::Measured(_) => TypeId::of::<Measurement>(),
            Self::Trace(_) => TypeId::of::<Trace>(),
            Self::Gate(_) => TypeId::of::<GateSpec>(),
            Self::List(_) | Self::ListOf(_) => TypeId::of::<Array>(),
            Self::Map { .. } => TypeId::of::<Map>(),
            Self::Closure(_) => TypeId::of::<FnPtr>(),
            Self::Refusal => TypeId::of::<Fault>(),
            Self::Range { .. } => TypeId::of::<std::ops::Range<INT>>(),
            Self::Any => return None,
        })
    }

    /// What a value of a Rust type is, as far as the type says.
    pub(super) fn of_type(of: TypeId) -> Self {
        let shapes = [
            Self::Nothing,
            Self::Flag { value: None, car: false },
            Self::Int(None),
            Self::Float(None),
            Self::Text(None),
            Self::Char,
            Self::Amount { unit: None, value: None },
            Self::Window { unit: None, low: None, high: None },
            Self::Measured(None),
            Self::Trace(None),
            Self::ListOf(Box::new(Value::any())),
            Self::Map { entries: BTreeMap::new(), open: true },
            Self::Refusal,
        ];
        let text = of == TypeId::of::<String>() || of == TypeId::of::<&str>();
        let of = if text { TypeId::of::<ImmutableString>() } else { of };
        shapes.into_iter().find(|shape| shape.type_id() == Some(of)).unwrap_or(Self::Any)
    }

    /// In words, for messages.
    pub(super) fn words(&self) -> &'static str {
        match self {
            Self::Nothing => "nothing",
            Self::Flag { .. } => "yes or no",
            Self::Int(_) | Self::Float(_) => "number",
            Self::Text(_) => "text",
            Self::Char => "character",
            Self::Amount { .. } => "quantity",
            Self::Window { .. } => "window",
            Self::Measured(_) => "measurement",
            Self::Trace(_) => "trace",
            Self::Gate(_) => "gate",
            Self::List(_) | Self::ListOf(_) => "list",
            Self::Map { .. } => "map",
            Self::Closure(_) => "closure",
            Self::Range { .. } => "range",
            Self::Refusal => "refusal",
            Self::Any => "something",
        }
    }
}

impl Value {
    /// In words, for messages.
    pub(super) fn words(&self) -> String {
        let mut words: Vec<&str> = Vec::new();
        for shape in &self.shapes {
            if !words.contains(&shape.words()) {
                words.push(shape.words());
            }
        }
        words.join(" or ")
    }
}
