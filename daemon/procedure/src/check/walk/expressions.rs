//! Expressions: what is known of their values.

use std::collections::BTreeMap;
use std::sync::Arc;

use rhai::{Expr, FnPtr, Position};

use super::Walker;
use crate::check::finding::Kind;
use crate::check::flow::{Home, Life};
use crate::check::value::{Closure, Shape, Truth, Value};

/// An argument of a call.
#[derive(Debug, Clone)]
pub(in crate::check) struct Arg<'e> {
    pub(in crate::check) value: Value,
    /// Where it begins.
    pub(in crate::check) at: Position,
    /// As it stands in the script.
    pub(in crate::check) expr: Option<&'e Expr>,
}

impl Arg<'_> {
    /// Where an element of a list literal stands.
    pub(in crate::check) fn element_at(&self, place: usize) -> Position {
        match self.expr {
            Some(Expr::Array(items, _)) => items.get(place).map_or(self.at, Expr::start_position),
            _ => self.at,
        }
    }

    /// Where the value of an entry of a map literal stands.
    pub(in crate::check) fn entry(&self, key: &str) -> Option<&Expr> {
        match self.expr {
            Some(Expr::Map(parts, _)) => {
                parts.0.iter().find(|(name, _)| name.name == key).map(|(_, value)| value)
            }
            _ => None,
        }
    }

    /// Where the key of an entry of a map literal stands.
    pub(in crate::check) fn key_at(&self, key: &str) -> Position {
        match self.expr {
            Some(Expr::Map(parts, _)) => {
                let name = parts.0.iter().map(|(name, _)| name).find(|name| name.name == key);
                name.map_or(self.at, |name| name.pos)
            }
            _ => self.at,
        }
    }
}

impl Walker<'_> {
    pub(super) fn eval(&mut self, expr: &Expr) -> Value {
        self.fuel = self.fuel.saturating_sub(1);
        if self.is_spent() {
            return Value::any();
        }
        match expr {
            Expr::DynamicConstant(value, _) => match value.clone().try_cast::<FnPtr>() {
                Some(closure) => closure_of(&closure, Vec::new()),
                None => Value::of(value),
            },
            Expr::BoolConstant(value, _) => Value::flag(Some(*value)),
            Expr::IntegerConstant(value, _) => Shape::Int(Some(*value)).into(),
            Expr::FloatConstant(value, _) => Shape::Float(Some(**value)).into(),
            Expr::CharConstant(..) => Shape::Char.into(),
            Expr::StringConstant(text, _) => Value::text(text.clone()),
            Expr::InterpolatedString(parts, _) => self.interpolated(parts),
            Expr::Array(items, _) => {
                let items = items.iter().map(|item| self.eval(item)).collect();
                Shape::List(items).into()
            }
            Expr::Map(parts, _) => {
                let mut entries = BTreeMap::new();
                for (name, value) in &parts.0 {
                    let value = self.eval(value);
                    entries.insert(name.name.to_string(), value);
                }
                Shape::Map { entries, open: false }.into()
            }
            Expr::Unit(_) => Value::nothing(),
            Expr::Variable(name, _, at) => self.read_variable(&name.1, *at),
            Expr::Stmt(block) => self.block(block.statements(), false),
            Expr::FnCall(call, at) => self.call(call, *at),
            Expr::Dot(..) | Expr::Index(..) => self.links(expr),
            Expr::And(..) | Expr::Or(..) => {
                let (truth, yes, no) = self.condition(expr);
                self.flow = yes.or(no);
                match truth {
                    Truth::Known { value, car } => Shape::Flag { value: Some(value), car }.into(),
                    Truth::Open => Value::flag(None),
                }
            }
            Expr::Coalesce(parts, _) => {
                let mut value = Value::nothing();
                for part in parts.iter() {
                    let next = self.eval(part);
                    value = value.retain(|shape| *shape != Shape::Nothing).or(next);
                }
                value
            }
            _ => Value::any(),
        }
    }

    fn interpolated(&mut self, parts: &[Expr]) -> Value {
        let mut text = Some(String::new());
        for part in parts {
            let value = self.eval(part);
            let exact = value.exact_text().map(ToString::to_string);
            text = text.zip(exact).map(|(text, more): (String, String)| format!("{text}{more}"));
        }
        Shape::Text(text.map(Into::into)).into()
    }

    fn read_variable(&mut self, name: &str, at: Position) -> Value {
        let Some(cell) = self.lookup(name).and_then(|id| self.flow.cells.get(&id)) else {
            if self.lookup(name).is_none() {
                self.unknown_variable(name, at);
            }
            return Value::any();
        };
        let value = cell.value.clone();
        let carried = cell.of_run && cell.home == Home::Top;
        if carried
            && self.flow.life != Life::Dead
            && let Some(step) = self.flow.step.clone()
        {
            self.mistake(
                Kind::Carried,
                at,
                format!("step '{step}' reads the variable '{name}', which was measured or asked outside of it"),
                "a run that is taken up again at this step would not have it: write it down with note(\"…\", …)",
            );
        }
        value
    }

    pub(super) fn unknown_variable(&mut self, name: &str, at: Position) {
        let cure = match model::nearest(name, self.visible()) {
            Some(near) => format!("did you mean '{near}'?"),
            None => "declare it with let, or put a text into quotes".into(),
        };
        self.mistake(Kind::Variable, at, format!("no variable '{name}'"), cure);
    }

    /// A closure with the variables that it shares.
    pub(super) fn capture(&mut self, args: &[Expr]) -> Value {
        let Some((Expr::DynamicConstant(value, _), names)) = args.split_first() else { return Value::any() };
        let Some(closure) = value.clone().try_cast::<FnPtr>() else { return Value::any() };
        let mut captured = Vec::new();
        for name in names {
            let Expr::Variable(parts, _, at) = name else { continue };
            let id = self.lookup(&parts.1);
            match id.and_then(|id| self.flow.cells.get_mut(&id)) {
                Some(cell) => cell.shared = true,
                None if id.is_none() => self.unknown_variable(&parts.1, *at),
                None => {}
            }
            captured.push(id);
        }
        closure_of(&closure, captured)
    }
}

fn closure_of(closure: &FnPtr, captured: Vec<Option<u32>>) -> Value {
    Shape::Closure(Arc::new(Closure { name: closure.fn_name().to_string(), captured })).into()
}
