//! Statements: blocks, loops, branches, declarations, assignments, ways out.

use rhai::{ASTFlags, Expr, FlowControl, Position, Stmt};

use super::{Loop, Walker, join};
use crate::check::finding::Kind;
use crate::check::flow::{Home, Life};
use crate::check::value::{Shape, Truth, Value};

/// Rounds of a loop after which its variables are held to be anything.
const ROUNDS: usize = 4;

impl Walker<'_> {
    /// Statements one after the other; gives the value of the last. `open`: variables stay visible afterwards.
    pub(super) fn block(&mut self, statements: &[Stmt], open: bool) -> Value {
        let length = self.scopes.len();
        let mut value = Value::nothing();
        let mut was_reached = false;
        for statement in statements {
            if self.is_spent() {
                break;
            }
            let at = statement.position();
            if self.flow.life != Life::Dead {
                was_reached = true;
                self.reach.reached.insert(at, ());
            } else if was_reached && !matches!(statement, Stmt::Noop(_)) {
                was_reached = false;
                let words = ("this is never reached: the run or the block has ended before it", "");
                self.reach.missed.entry(at).or_insert_with(|| (words.0.into(), words.1.into()));
            }
            value = self.statement(statement);
        }
        if !open {
            self.leave_scope(length);
        }
        value
    }

    /// A block of a branch, which may never be reached for a reason.
    fn branch_block(&mut self, at: Position, statements: &[Stmt], why: &str) -> Value {
        if self.flow.life != Life::Dead {
            self.reach.reached.insert(at, ());
        } else if !statements.is_empty() && !at.is_none() {
            let cure = "correct the condition, or take the branch out";
            self.reach.missed.entry(at).or_insert_with(|| (why.into(), cure.into()));
        }
        self.block(statements, false)
    }

    fn statement(&mut self, statement: &Stmt) -> Value {
        match statement {
            Stmt::If(control, _) => return self.branches(control),
            Stmt::Switch(parts, _) => return self.switch(parts),
            Stmt::While(control, at) => self.while_loop(control, *at),
            Stmt::Do(control, options, _) => self.do_loop(control, *options),
            Stmt::For(parts, at) => self.for_loop(parts, *at),
            Stmt::Var(parts, _, _) => {
                let (name, initial, _) = &**parts;
                let before = self.doings;
                let value = self.eval(initial);
                let of_run = self.doings != before;
                self.declare(&name.name, value, of_run);
            }
            Stmt::Assignment(parts) => {
                let (operator, sides) = &**parts;
                self.assign(operator, sides, operator.position());
            }
            Stmt::FnCall(call, at) => return self.call(call, *at),
            Stmt::Block(block) => return self.block(block.statements(), false),
            Stmt::TryCatch(control, _) => self.try_catch(control),
            Stmt::Expr(expr) => return self.eval(expr),
            Stmt::BreakLoop(value, options, _) => {
                if let Some(value) = value {
                    self.eval(value);
                }
                let flow = self.flow.clone();
                if let Some(around) = self.frame().loops.last_mut() {
                    if options.contains(ASTFlags::BREAK) {
                        around.left = join(around.left.take(), Some(flow));
                    } else {
                        around.next = join(around.next.take(), Some(flow));
                    }
                }
                self.flow.end();
            }
            Stmt::Return(value, options, _) => {
                let value = value.as_ref().map_or_else(Value::nothing, |value| self.eval(value));
                if !options.contains(ASTFlags::BREAK) {
                    self.leave_with(value);
                }
                self.flow.end();
            }
            _ => {}
        }
        Value::nothing()
    }

    /// Leaves the function with this value.
    pub(super) fn leave_with(&mut self, value: Value) {
        let flow = self.flow.clone();
        let frame = self.frame();
        frame.returns = Some(match frame.returns.take() {
            Some((former, other)) if former.life == flow.life => (former.or(flow), other.or(value)),
            Some((former, other)) if former.life < flow.life => (former, other),
            _ => (flow, value),
        });
    }

    fn branches(&mut self, control: &FlowControl) -> Value {
        let at = control.expr.start_position();
        let (_, when_true, when_false) = self.condition(&control.expr);
        let never = |value: bool| {
            if value { "the condition is never true" } else { "the condition is always true" }
        };
        self.flow = when_true;
        let body = if control.body.position().is_none() { at } else { control.body.position() };
        let mut value = self.branch_block(body, control.body.statements(), never(true));
        let yes = std::mem::replace(&mut self.flow, when_false);
        let branch = control.branch.position();
        let other = self.branch_block(branch, control.branch.statements(), never(false));
        let no = std::mem::replace(&mut self.flow, yes.clone());
        if yes.life == no.life {
            value = value.or(other);
        } else if no.life < yes.life {
            value = other;
        }
        self.flow = yes.or(no);
        value
    }

    fn switch(&mut self, parts: &(Expr, rhai::SwitchCasesCollection)) -> Value {
        let (subject, cases) = parts;
        self.eval(subject);
        let before = self.flow.clone();
        let mut after = cases.def_case.is_none().then(|| before.clone());
        let mut value = if after.is_some() { Value::nothing() } else { Value::default() };
        for case in &cases.expressions {
            self.flow = before.clone();
            if !matches!(case.lhs, Expr::BoolConstant(true, _)) {
                self.eval(&case.lhs);
            }
            let given = self.eval(&case.rhs);
            if self.flow.life == before.life {
                value = value.or(given);
            }
            after = join(after, Some(self.flow.clone()));
        }
        self.flow = after.unwrap_or(before);
        value
    }

    fn while_loop(&mut self, control: &FlowControl, at: Position) {
        // A `loop` has nothing for its condition.
        let endless = matches!(control.expr, Expr::Unit(_));
        self.rounds(at, |walker| {
            let mut out = None;
            if !endless {
                let (_, go_on, leave) = walker.condition(&control.expr);
                walker.flow = go_on;
                out = Some(leave);
            }
            let body = control.body.position();
            walker.branch_block(body, control.body.statements(), "the condition is never true");
            out
        });
    }

    fn do_loop(&mut self, control: &FlowControl, options: ASTFlags) {
        let until = options.contains(ASTFlags::NEGATED);
        self.rounds(Position::NONE, |walker| {
            walker.block(control.body.statements(), false);
            let (_, yes, no) = walker.condition(&control.expr);
            let (go_on, leave) = if until { (no, yes) } else { (yes, no) };
            walker.flow = go_on;
            Some(leave)
        });
    }

    fn for_loop(&mut self, parts: &(rhai::Ident, Option<rhai::Ident>, FlowControl), at: Position) {
        let (name, counter, control) = parts;
        let over = self.eval(&control.expr);
        let (item, some) = self.items(&over, control.expr.start_position());
        let before = self.flow.clone();
        self.rounds(at, |walker| {
            let length = walker.scopes.len();
            if let Some(counter) = counter {
                walker.declare(&counter.name, Shape::Int(None).into(), false);
            }
            walker.declare(&name.name, item.clone(), false);
            walker.block(control.body.statements(), false);
            if let Some(around) = walker.frame().loops.last_mut()
                && let Some(next) = around.next.take()
            {
                let here = walker.flow.clone();
                walker.flow = here.or(next);
            }
            walker.leave_scope(length);
            // After every round there may be no more.
            Some(walker.flow.clone())
        });
        if !some {
            let after = self.flow.clone();
            self.flow = after.or(before);
        }
    }

    /// What each element of a value is, and whether there is certainly one.
    fn items(&mut self, over: &Value, at: Position) -> (Value, bool) {
        let mut item = Value::default();
        let mut some = !over.shapes().is_empty();
        for shape in over.shapes() {
            match shape {
                Shape::Range { some: sure } => {
                    item = item.or(Shape::Int(None).into());
                    some &= *sure;
                }
                Shape::List(items) => {
                    item = items.iter().fold(item, |item, one| item.or(one.clone()));
                    some &= !items.is_empty();
                }
                Shape::ListOf(like) => {
                    item = item.or((**like).clone());
                    some = false;
                }
                Shape::Text(_) => {
                    item = item.or(Shape::Char.into());
                    some = false;
                }
                Shape::Any | Shape::Map { .. } => {
                    item = item.or(Value::any());
                    some = false;
                }
                other => {
                    if over.only().is_some() {
                        let seen = format!("for cannot go through a {}", other.words());
                        self.mistake(Kind::Arguments, at, seen, "give it a list or a range, as in 0..3");
                    }
                    item = item.or(Value::any());
                    some = false;
                }
            }
        }
        (item, some)
    }

    /// Goes through a loop until nothing new turns up. A round gives the way on which the loop is left at its own
    /// condition.
    fn rounds(
        &mut self,
        _at: Position,
        mut round: impl FnMut(&mut Self) -> Option<crate::check::flow::Flow>,
    ) {
        let mut entry = self.flow.clone();
        let mut after = None;
        for number in 0..ROUNDS {
            self.flow = entry.clone();
            self.frame().loops.push(Loop::default());
            let out = round(self);
            let around = self.frame().loops.pop().unwrap_or_default();
            after = join(join(after, out), around.left);
            let back = match around.next {
                Some(next) => self.flow.clone().or(next),
                None => self.flow.clone(),
            };
            let mut next = entry.clone().or(back);
            if next == entry || self.is_spent() {
                break;
            }
            if number > 0 {
                next.widen(&entry, number + 2 >= ROUNDS);
            }
            entry = next;
        }
        let life = entry.life;
        self.flow = after.unwrap_or_else(|| {
            // A loop that nothing leaves.
            let mut flow = entry;
            flow.end();
            flow
        });
        self.flow.life = self.flow.life.max(life);
    }

    fn try_catch(&mut self, control: &FlowControl) {
        let before = self.flow.clone();
        self.block(control.body.statements(), false);
        let done = self.flow.clone();
        // It may have broken off anywhere on the way.
        let mut broken = Self::either(before.clone(), done.clone());
        broken.widen(&before, false);
        broken.life = before.life;
        self.flow = broken;
        let length = self.scopes.len();
        if let Expr::Variable(name, ..) = &control.expr {
            self.declare(&name.1, Value::any(), false);
        }
        self.block(control.branch.statements(), false);
        self.leave_scope(length);
        let caught = self.flow.clone();
        self.flow = done.or(caught);
    }

    /// What may be the case where a closure or a block was gone through wholly, in part or not at all.
    #[expect(clippy::needless_pass_by_value, reason = "what is handed over has no other use")]
    pub(in crate::check) fn either(
        before: crate::check::flow::Flow,
        after: crate::check::flow::Flow,
    ) -> crate::check::flow::Flow {
        let life = before.life;
        let mut after = after;
        after.life = life;
        let mut joined = before.clone().or(after);
        joined.widen(&before, false);
        joined
    }

    fn assign(&mut self, operator: &rhai::OpAssignment, sides: &rhai::BinaryExpr, at: Position) {
        let before = self.doings;
        let mut value = self.eval(&sides.rhs);
        if let Some((_, _, _, _, _, symbol)) = operator.get_op_assignment_info() {
            let old = self.eval(&sides.lhs);
            let places = (sides.lhs.start_position(), sides.rhs.start_position());
            value = self.binary(symbol, &old, &value, at, places, (&sides.lhs, &sides.rhs));
        }
        let of_run = self.doings != before;
        match &sides.lhs {
            Expr::Variable(name, _, here) => self.set_variable(&name.1, value, *here, of_run),
            other => {
                // A part of something, which may be new: what the whole is then is known less.
                if let Expr::Dot(parts, ..) | Expr::Index(parts, ..) = other {
                    self.eval(&parts.lhs);
                    if matches!(other, Expr::Index(..)) {
                        self.eval(&parts.rhs);
                    }
                }
                if let Some(root) = root_of(other)
                    && let Some(id) = self.lookup(root)
                    && let Some(cell) = self.flow.cells.get_mut(&id)
                {
                    cell.value = Value::any();
                    cell.present.clear();
                }
            }
        }
    }

    fn set_variable(&mut self, name: &str, value: Value, at: Position, of_run: bool) {
        let Some(id) = self.lookup(name) else {
            self.unknown_variable(name, at);
            return;
        };
        let in_step = self.flow.step.clone();
        let live = self.flow.life != Life::Dead;
        let top = self.frames.len() == 1 && in_step.is_none();
        let Some(cell) = self.flow.cells.get_mut(&id) else { return };
        let carried = cell.home == Home::Top && in_step.is_some();
        cell.value = value;
        cell.present.clear();
        cell.of_run |= of_run && top;
        if carried && live {
            let step = in_step.unwrap_or_default();
            self.mistake(
                Kind::Carried,
                at,
                format!("step '{step}' writes the variable '{name}', which stands outside of every step"),
                "what one step hands to another is a note: note(\"…\", …) and noted(\"…\")",
            );
        }
    }
}

/// The variable at the beginning of a chain.
fn root_of(expr: &Expr) -> Option<&str> {
    match expr {
        Expr::Variable(name, ..) => Some(&name.1),
        Expr::Dot(sides, ..) | Expr::Index(sides, ..) => root_of(&sides.lhs),
        _ => None,
    }
}

/// What is known of a condition whose truth hangs on nothing.
pub(super) fn known(value: bool) -> Truth {
    Truth::Known { value, car: false }
}
