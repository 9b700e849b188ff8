//! Chains: `value.property`, `value.method(…)`, `value[index]`.

use rhai::{Expr, FnCallExpr, Position};

use super::{Arg, Walker};
use crate::check::finding::Kind;
use crate::check::value::{Shape, Value};
use crate::check::vocabulary::Found;
use crate::host::registrar::PROPERTY;

impl Walker<'_> {
    /// A chain from its beginning to its end.
    pub(super) fn links(&mut self, expr: &Expr) -> Value {
        let (sides, is_index) = match expr {
            Expr::Dot(sides, ..) => (sides, false),
            Expr::Index(sides, ..) => (sides, true),
            _ => return Value::any(),
        };
        let owner = self.eval(&sides.lhs);
        let start = sides.lhs.start_position();
        self.link(owner, start, &sides.lhs, &sides.rhs, is_index)
    }

    /// What follows the owner: the chain hangs to the right.
    fn link(&mut self, owner: Value, start: Position, of: &Expr, rhs: &Expr, is_index: bool) -> Value {
        match rhs {
            Expr::Dot(sides, ..) | Expr::Index(sides, ..) => {
                let then_index = matches!(rhs, Expr::Index(..));
                let next = self.one(owner, start, Some(of), &sides.lhs, is_index);
                self.link(next, start, rhs, &sides.rhs, then_index)
            }
            one => self.one(owner, start, Some(of), one, is_index),
        }
    }

    fn one(
        &mut self,
        owner: Value,
        start: Position,
        of: Option<&Expr>,
        link: &Expr,
        is_index: bool,
    ) -> Value {
        if is_index {
            let place = self.eval(link);
            return element(&owner, &place);
        }
        match link {
            Expr::Property(name, at) => {
                let value = self.property(&owner, &name.2, *at);
                if of.is_some_and(|of| self.is_present(of, &name.2)) {
                    value.retain(|shape| *shape != Shape::Nothing)
                } else {
                    value
                }
            }
            Expr::MethodCall(call, at) => self.method(owner, start, of, call, *at),
            Expr::FnCall(call, at) => self.method(owner, start, of, call, *at),
            _ => Value::any(),
        }
    }

    fn property(&mut self, owner: &Value, name: &str, at: Position) -> Value {
        if owner.is_any() {
            return Value::any();
        }
        let mut value = Value::default();
        let mut wrong: Option<&Shape> = None;
        let mut right = false;
        for shape in owner.shapes() {
            if let Shape::Map { entries, open } = shape {
                match entries.get(name) {
                    Some(entry) => {
                        value = value.or(entry.clone());
                        right = true;
                    }
                    None if *open => {
                        value = value.or(Value::any());
                        right = true;
                    }
                    None => wrong = Some(shape),
                }
                continue;
            }
            let args = [Value::from(shape.clone())];
            match self.words.find(&format!("{PROPERTY}{name}"), &args) {
                Found::Own(form) => {
                    let [arg] = args;
                    let arg = Arg { value: arg, at, expr: None };
                    let given = self.apply(form, vec![arg], at);
                    value = value.or(given);
                    right = true;
                }
                Found::Language => {
                    value = value.or(Value::any());
                    right = true;
                }
                Found::Unfit | Found::Unknown => wrong = Some(shape),
            }
        }
        if let (Some(shape), false) = (wrong, right) {
            self.no_property(owner, shape, name, at);
            return Value::any();
        }
        if wrong == Some(&Shape::Nothing) {
            self.absent(at, &format!(".{name}"));
        }
        value
    }

    fn no_property(&mut self, owner: &Value, shape: &Shape, name: &str, at: Position) {
        if let Shape::Map { entries, .. } = shape {
            let cure = crate::nearest::cure(name, entries.keys().map(String::as_str));
            self.mistake(Kind::Property, at, format!("the map has no '{name}'"), cure);
            return;
        }
        let is_method = !self.words.own(name).is_empty();
        let cure = match self.words.near_property(name, owner) {
            Some(near) => format!("did you mean '{near}'?"),
            None if is_method => format!("it is written {}", self.words.written(name)),
            None => String::new(),
        };
        // What stands behind a number is its unit.
        let kind = if matches!(shape, Shape::Int(_) | Shape::Float(_)) { Kind::Unit } else { Kind::Property };
        self.mistake(kind, at, format!("a {} has no '{name}'", shape.words()), cure);
    }

    fn method(
        &mut self,
        owner: Value,
        start: Position,
        of: Option<&Expr>,
        call: &FnCallExpr,
        at: Position,
    ) -> Value {
        if call.name == "call"
            && let Some(Shape::Closure(closure)) = owner.only().cloned()
        {
            let given = call.args.iter().map(|arg| self.eval(arg)).collect();
            return self.run_closure(&closure, given);
        }
        let mut args = vec![Arg { value: owner, at: start, expr: of }];
        for expr in &call.args {
            let value = self.eval(expr);
            args.push(Arg { value, at: expr.start_position(), expr: Some(expr) });
        }
        self.dispatch(&call.name, args, at, true)
    }
}

fn element(owner: &Value, place: &Value) -> Value {
    match (owner.only(), place.only()) {
        (Some(Shape::List(items)), Some(Shape::Int(Some(place)))) => {
            let place = usize::try_from(*place).ok();
            place.and_then(|place| items.get(place)).cloned().unwrap_or_else(Value::any)
        }
        (Some(Shape::ListOf(like)), _) => (**like).clone(),
        (Some(Shape::List(items)), _) => {
            items.iter().fold(Value::default(), |like, item| like.or(item.clone()))
        }
        (Some(Shape::Map { entries, .. }), Some(Shape::Text(Some(key)))) => {
            entries.get(key.as_str()).cloned().unwrap_or_else(Value::any)
        }
        _ => Value::any(),
    }
}
