//! Calls: of our functions, of the script's own, of closures.

use std::sync::Arc;

use rhai::{Expr, FnCallExpr, Position};

use super::{Arg, DEEPEST, Frame, Walker};
use crate::check::finding::Kind;
use crate::check::flow::Life;
use crate::check::report::Call;
use crate::check::value::{Closure, Shape, Value};
use crate::check::vocabulary::{Found, fits};

impl Walker<'_> {
    /// A call as it stands in the script.
    pub(super) fn call(&mut self, call: &FnCallExpr, at: Position) -> Value {
        let name = call.name.as_str();
        match (name, call.args.as_slice()) {
            ("curry", [Expr::DynamicConstant(..), ..]) => return self.capture(&call.args),
            ("!", [one]) => {
                let (truth, yes, no) = self.condition(one);
                self.flow = yes.or(no);
                return match truth {
                    crate::check::value::Truth::Known { value, car } => {
                        Shape::Flag { value: Some(!value), car }.into()
                    }
                    crate::check::value::Truth::Open => Value::flag(None),
                };
            }
            ("-" | "+", [one]) if call.is_operator_call() => {
                let value = self.eval(one);
                return self.unary(name, &value, one.start_position());
            }
            (".." | "..=", [from, to]) => {
                let (from, to) = (self.eval(from), self.eval(to));
                let some = match (from.only(), to.only()) {
                    (Some(Shape::Int(Some(a))), Some(Shape::Int(Some(b)))) => a < b,
                    _ => false,
                };
                return Shape::Range { some }.into();
            }
            (_, [lhs, rhs]) if call.is_operator_call() => {
                let (a, b) = (self.eval(lhs), self.eval(rhs));
                let places = (lhs.start_position(), rhs.start_position());
                return self.binary(name, &a, &b, at, places, (lhs, rhs));
            }
            _ => {}
        }
        let mut args = Vec::with_capacity(call.args.len());
        for expr in &call.args {
            let value = self.eval(expr);
            args.push(Arg { value, at: expr.start_position(), expr: Some(expr) });
        }
        self.dispatch(name, args, at, false)
    }

    /// Calls what goes by this name and can take these arguments.
    pub(super) fn dispatch(&mut self, name: &str, args: Vec<Arg<'_>>, at: Position, method: bool) -> Value {
        let tree = self.tree;
        let count = if method { args.len().saturating_sub(1) } else { args.len() };
        if !method && tree.function(name, count).is_some() {
            let values = args.into_iter().map(|arg| arg.value).collect();
            return self.inline(name, count, values, at);
        }
        let values: Vec<Value> = args.iter().map(|arg| arg.value.clone()).collect();
        match self.words.find(name, &values) {
            Found::Own(form) => {
                for (takes, arg) in form.takes.iter().zip(&args) {
                    let there = arg.value.retain(|shape| *shape != Shape::Nothing);
                    let absent = Value::nothing();
                    if arg.value.may_be_nothing() && fits(*takes, &there) && !fits(*takes, &absent) {
                        self.absent(arg.at, name);
                    }
                }
                self.apply(form, args, at)
            }
            Found::Language => {
                self.through_closures(&values);
                Value::any()
            }
            Found::Unfit => {
                self.unfit(name, &values, at, method);
                self.through_closures(&values);
                self.likely(name)
            }
            Found::Unknown => {
                self.unknown_function(name, &values, at, method);
                self.through_closures(&values);
                Value::any()
            }
        }
    }

    /// What a function that is called wrongly would have given.
    fn likely(&self, name: &str) -> Value {
        self.words.own(name).first().map_or_else(Value::any, |form| match Shape::of_type(form.gives) {
            Shape::Flag { .. } => Value::flag(None),
            _ => Value::any(),
        })
    }

    fn unfit(&mut self, name: &str, values: &[Value], at: Position, method: bool) {
        let given: Vec<String> = values.iter().map(Value::words).collect();
        let seen = if method {
            let (owner, rest) = given.split_first().map_or(("", &[][..]), |(a, b)| (a.as_str(), b));
            format!("{name} of a {owner} cannot take ({})", rest.join(", "))
        } else {
            format!("{name} cannot take ({})", given.join(", "))
        };
        let written = self.words.written(name);
        let numbers = values
            .iter()
            .any(|value| value.shapes().iter().any(|shape| matches!(shape, Shape::Int(_) | Shape::Float(_))));
        let cure = match (written.is_empty(), numbers) {
            (true, _) => String::new(),
            (false, false) => format!("it is written {written}"),
            (false, true) => {
                format!("it is written {written}; numbers of the car carry their unit, as in 75.celsius")
            }
        };
        self.mistake(Kind::Arguments, at, seen, cure);
    }

    fn unknown_function(&mut self, name: &str, values: &[Value], at: Position, method: bool) {
        let tree = self.tree;
        let other = tree.named().find(|(known, ..)| *known == name);
        if let (Some((_, count, _)), false) = (other, method) {
            let words = if count == 1 { "1 argument".into() } else { format!("{count} arguments") };
            let seen = format!("{name} is called with {}, and takes {words}", values.len());
            self.mistake(Kind::Arguments, at, seen, "see where it is written in this script");
            return;
        }
        if method && self.flow.life == Life::Dead {
            return;
        }
        let seen = if method {
            let owner = values.first().map_or_else(String::new, Value::words);
            format!("a {owner} has no '{name}'")
        } else {
            format!("no function {name}")
        };
        let near = if method {
            values.first().and_then(|owner| self.words.near_method(name, owner))
        } else {
            self.words.near_function(name, tree.named().map(|(name, ..)| name))
        };
        let near = near.map(ToString::to_string);
        let cure = near.map_or(String::new(), |near| format!("did you mean '{near}'?"));
        self.mistake(Kind::Function, at, seen, cure);
    }

    /// Closures that something of the language may run, any number of times.
    fn through_closures(&mut self, values: &[Value]) {
        for value in values {
            if let Some(Shape::Closure(closure)) = value.only().cloned() {
                let before = self.flow.clone();
                self.run_closure(&closure, Vec::new());
                let after = self.flow.clone();
                self.flow = Self::either(before, after);
            }
        }
    }

    /// Something that may be nothing is used as if it were there.
    pub(in crate::check) fn absent(&mut self, at: Position, what: &str) {
        if self.flow.life != Life::Dead {
            self.hint(
                Kind::Absent,
                at,
                format!("this may be (), and {what} would break the run off then"),
                "ask whether it is () first",
            );
        }
    }

    /// Goes through a function of the script with what it is called with.
    pub(super) fn inline(&mut self, name: &str, count: usize, args: Vec<Value>, at: Position) -> Value {
        let tree = self.tree;
        let Some(function) = tree.function(name, count) else { return Value::any() };
        self.names.called(name, count);
        let again = self.frames.iter().filter(|frame| frame.function.as_deref() == Some(name)).count();
        if again > 1 || self.frames.len() >= DEEPEST {
            return Value::any();
        }
        let call = Call { function: name.to_string(), at };
        if !at.is_none() {
            self.report.called(&call);
        }
        let call = (!at.is_none()).then_some(call);
        let frame = Frame {
            function: Some(name.to_string()),
            call,
            base: self.scopes.len(),
            returns: None,
            loops: Vec::new(),
        };
        let params = function.params.iter().map(String::as_str).zip(args);
        self.enter(frame, |walker| {
            for (param, value) in params {
                walker.declare(param, value, false);
            }
            walker.block(&function.body, false)
        })
    }

    /// Goes through a closure with what it is called with.
    #[expect(clippy::needless_pass_by_value, reason = "what is handed over has no other use")]
    pub(in crate::check) fn run_closure(&mut self, closure: &Arc<Closure>, args: Vec<Value>) -> Value {
        let tree = self.tree;
        let Some(function) = tree.closure(&closure.name) else { return Value::any() };
        if self.frames.len() >= DEEPEST {
            return Value::any();
        }
        let call = self.frames.last().and_then(|frame| frame.call.clone());
        let frame = Frame { function: None, call, base: self.scopes.len(), returns: None, loops: Vec::new() };
        let closure = Arc::clone(closure);
        self.enter(frame, |walker| {
            for (place, param) in function.params.iter().enumerate() {
                match closure.captured.get(place) {
                    // The variable itself, not a copy of it.
                    Some(Some(id)) => walker.scopes.push((param.clone(), *id)),
                    Some(None) => {
                        walker.declare(param, Value::any(), false);
                    }
                    None => {
                        let given = args.get(place - closure.captured.len()).cloned();
                        walker.declare(param, given.unwrap_or_else(Value::any), false);
                    }
                }
            }
            walker.block(&function.body, false)
        })
    }

    fn enter(&mut self, frame: Frame, body: impl FnOnce(&mut Self) -> Value) -> Value {
        let before = self.flow.life;
        let length = self.scopes.len();
        self.frames.push(frame);
        let value = body(self);
        self.leave_with(value);
        let frame = self.frames.pop();
        let captured: Vec<u32> = self.scopes.drain(length..).map(|(_, id)| id).collect();
        let value = match frame.and_then(|frame| frame.returns) {
            Some((flow, value)) => {
                self.flow = flow;
                value
            }
            None => Value::any(),
        };
        for id in captured {
            let goes = self.flow.cells.get(&id).is_some_and(|cell| !cell.shared);
            if goes {
                self.flow.cells.remove(&id);
            }
        }
        self.flow.life = self.flow.life.max(before);
        value
    }
}
