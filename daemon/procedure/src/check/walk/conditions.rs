//! Conditions, and what each of their outcomes tells about the values in them.

use rhai::{Expr, Position};

use super::Walker;
use super::statements::known;
use crate::check::finding::Kind;
use crate::check::flow::{Flow, Life};
use crate::check::value::{Shape, Truth, Value};

impl Walker<'_> {
    /// A condition: what is known of it, and the way on when it is so and when it is not.
    pub(super) fn condition(&mut self, expr: &Expr) -> (Truth, Flow, Flow) {
        match expr {
            Expr::And(parts, _) => self.chain(parts, true),
            Expr::Or(parts, _) => {
                let (truth, no, yes) = self.chain(parts, false);
                (truth, yes, no)
            }
            Expr::FnCall(call, _) if call.name == "!" && call.args.len() == 1 => {
                let (truth, yes, no) = self.condition(&call.args[0]);
                let truth = match truth {
                    Truth::Known { value, car } => Truth::Known { value: !value, car },
                    Truth::Open => Truth::Open,
                };
                (truth, no, yes)
            }
            _ => {
                let value = self.eval(expr);
                self.yes_or_no(&value, expr.start_position());
                let truth = value.truth();
                let mut yes = self.flow.clone();
                let mut no = self.flow.clone();
                self.narrow(expr, true, &mut yes);
                self.narrow(expr, false, &mut no);
                if let Truth::Known { value, car } = truth {
                    let gone = if car { Life::NotOnThisCar } else { Life::Dead };
                    let other = if value { &mut no } else { &mut yes };
                    other.life = other.life.max(gone);
                }
                (truth, yes, no)
            }
        }
    }

    /// Parts that must all come out as `wanted` for the whole to go on: gives the way on and the way out.
    fn chain(&mut self, parts: &[Expr], wanted: bool) -> (Truth, Flow, Flow) {
        let mut out: Option<Flow> = None;
        let mut all = known(wanted);
        for part in parts {
            let (truth, yes, no) = self.condition(part);
            let (go_on, leave) = if wanted { (yes, no) } else { (no, yes) };
            out = super::join(out, Some(leave));
            self.flow = go_on;
            all = match (all, truth) {
                // One that is known to break the chain decides the whole.
                (Truth::Known { value, car }, _) if value != wanted => Truth::Known { value, car },
                (_, Truth::Known { value, car }) if value != wanted => Truth::Known { value, car },
                (Truth::Known { car: a, .. }, Truth::Known { car: b, .. }) => {
                    Truth::Known { value: wanted, car: a || b }
                }
                _ => Truth::Open,
            };
        }
        let go_on = self.flow.clone();
        let out = out.unwrap_or_else(|| go_on.clone());
        (all, go_on, out)
    }

    /// A condition must be yes or no.
    pub(super) fn yes_or_no(&mut self, value: &Value, at: Position) {
        let fits = |shape: &Shape| matches!(shape, Shape::Flag { .. } | Shape::Any);
        if !value.shapes().is_empty() && !value.shapes().iter().any(fits) {
            let seen = format!("a condition must be yes or no, and this is a {}", value.words());
            self.mistake(Kind::Arguments, at, seen, "compare it with something");
        }
    }

    /// What the outcome of a condition tells about the variables in it.
    fn narrow(&self, expr: &Expr, outcome: bool, flow: &mut Flow) {
        match expr {
            Expr::FnCall(call, _) if call.args.len() == 2 && matches!(&*call.name, "==" | "!=") => {
                let equal = (call.name == "==") == outcome;
                for (path, other) in [(&call.args[0], &call.args[1]), (&call.args[1], &call.args[0])] {
                    let Some(constant) = constant(other) else { continue };
                    let keep = |shape: &Shape| match &constant {
                        // Whatever it is, it is not that.
                        _ if !equal => *shape != constant || matches!(shape, Shape::Any),
                        Shape::Text(_) => {
                            *shape == constant || matches!(shape, Shape::Any | Shape::Text(None))
                        }
                        Shape::Nothing => matches!(shape, Shape::Nothing | Shape::Any),
                        _ => true,
                    };
                    self.narrow_path(path, flow, &keep);
                }
            }
            Expr::Variable(..) => {
                let keep = |shape: &Shape| match shape {
                    Shape::Flag { value: Some(value), .. } => *value == outcome,
                    _ => true,
                };
                self.narrow_path(expr, flow, &keep);
                if let Some(id) = self.variable(expr)
                    && let Some(cell) = flow.cells.get_mut(&id)
                    && matches!(cell.value.only(), Some(Shape::Flag { value: None, .. }))
                {
                    cell.value = Value::flag(Some(outcome));
                }
            }
            _ => {}
        }
    }

    /// Whether a property of a variable is known not to be `()` here.
    pub(super) fn is_present(&self, owner: &Expr, property: &str) -> bool {
        let cell = self.variable(owner).and_then(|id| self.flow.cells.get(&id));
        cell.is_some_and(|cell| cell.present.contains(property))
    }

    fn variable(&self, expr: &Expr) -> Option<u32> {
        match expr {
            Expr::Variable(name, ..) => self.lookup(&name.1),
            _ => None,
        }
    }

    /// Keeps the shapes of a variable, or of one entry of the map in it, that pass.
    fn narrow_path(&self, path: &Expr, flow: &mut Flow, keep: &dyn Fn(&Shape) -> bool) {
        let (root, entry) = match path {
            Expr::Variable(..) => (path, None),
            Expr::Dot(sides, ..) => match &sides.rhs {
                Expr::Property(name, _) => (&sides.lhs, Some(name.2.as_str())),
                _ => return,
            },
            _ => return,
        };
        let Some(cell) = self.variable(root).and_then(|id| flow.cells.get_mut(&id)) else { return };
        let Some(entry) = entry else {
            let kept = cell.value.retain(keep);
            if !kept.shapes().is_empty() {
                cell.value = kept;
            }
            return;
        };
        if !keep(&Shape::Nothing) && keep(&Shape::Char) {
            cell.present.insert(entry.to_string());
        }
        if let Some(Shape::Map { entries, open }) = cell.value.only() {
            let (mut entries, open) = (entries.clone(), *open);
            if let Some(value) = entries.get_mut(entry) {
                let kept = value.retain(keep);
                if !kept.shapes().is_empty() {
                    *value = kept;
                    cell.value = Shape::Map { entries, open }.into();
                }
            }
        }
    }
}

fn constant(expr: &Expr) -> Option<Shape> {
    match expr {
        Expr::Unit(_) => Some(Shape::Nothing),
        Expr::StringConstant(text, _) => Some(Shape::Text(Some(text.clone()))),
        Expr::BoolConstant(value, _) => Some(Shape::Flag { value: Some(*value), car: false }),
        _ => None,
    }
}
