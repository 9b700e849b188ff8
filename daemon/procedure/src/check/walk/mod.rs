//! Goes through a script on every way that it can take, with what is known of its values instead of the values.
//!
//! Functions of the script are gone through at each of their calls, so that what a call hands over is known inside.
//! Loops are gone through until nothing new turns up, closures where the host runs them. What a way out of a block
//! leaves behind is joined where ways meet. A budget ends what would take too long, and that is told.

mod calls;
mod chains;
mod conditions;
mod expressions;
mod operators;
mod statements;

use std::collections::{BTreeMap, BTreeSet};

use model::{ChannelId, Unit};
use rhai::Position;

use super::finding::{Class, Kind};
use super::flow::{Cell, Flow, Home, Life};
use super::ground::Ground;
use super::report::{Call, Report};
use super::rules::names::Names;
use super::rules::notes::Notes;
use super::tree::Tree;
use super::value::Value;
use super::vocabulary::Words;
use crate::report::Header;

pub(super) use expressions::Arg;
pub(super) use operators::{Outcomes, amount};

/// Expressions that are looked at, over the whole check.
const FUEL: u32 = 400_000;

/// How deep functions and closures are followed.
const DEEPEST: usize = 16;

/// A function or closure that is being gone through.
#[derive(Debug)]
struct Frame {
    /// Its name, where it is a function with one.
    function: Option<String>,
    /// The innermost call of a named function around this point.
    call: Option<Call>,
    /// Variables declared before it that it cannot see.
    base: usize,
    /// Where it was left, with what it gave.
    returns: Option<(Flow, Value)>,
    /// The loops around this point within it.
    loops: Vec<Loop>,
}

/// A loop that is being gone through.
#[derive(Debug, Default)]
struct Loop {
    left: Option<Flow>,
    next: Option<Flow>,
}

/// Blocks and statements by whether they were ever reached.
#[derive(Debug, Default)]
pub(super) struct Reach {
    reached: BTreeMap<Position, ()>,
    /// Those that were not, on some way, and why.
    missed: BTreeMap<Position, (String, String)>,
}

impl Reach {
    /// Places that were missed on every way, with the reason.
    pub(super) fn never(self) -> impl Iterator<Item = (Position, (String, String))> {
        let reached = self.reached;
        self.missed.into_iter().filter(move |(at, _)| !reached.contains_key(at))
    }
}

/// The one who goes.
#[derive(Debug)]
pub(super) struct Walker<'g> {
    pub(super) ground: &'g Ground,
    pub(super) tree: &'g Tree,
    pub(super) words: &'static Words,
    pub(super) flow: Flow,
    pub(super) report: Report,
    pub(super) header: Option<Header>,
    pub(super) names: Names,
    pub(super) notes: Notes,
    pub(super) reach: Reach,
    pub(super) outcomes: Outcomes,
    /// Calls that touched the car, a person or the notebook, so far.
    pub(super) doings: u32,
    scopes: Vec<(String, u32)>,
    frames: Vec<Frame>,
    next_cell: u32,
    fuel: u32,
}

impl<'g> Walker<'g> {
    pub(super) fn new(ground: &'g Ground, tree: &'g Tree, notes: Notes) -> Self {
        let main = Frame { function: None, call: None, base: 0, returns: None, loops: Vec::new() };
        Self {
            ground,
            tree,
            words: Words::get(),
            flow: Flow::new(),
            report: Report::default(),
            header: None,
            names: Names::default(),
            notes,
            reach: Reach::default(),
            outcomes: Outcomes::default(),
            doings: 0,
            scopes: Vec::new(),
            frames: vec![main],
            next_cell: 0,
            fuel: FUEL,
        }
    }

    /// The whole script, and then what nothing in it calls.
    pub(super) fn script(&mut self) {
        let tree = self.tree;
        self.block(&tree.main, true);
        let uncalled: Vec<_> =
            tree.named().filter(|(name, count, _)| !self.names.is_called(name, *count)).collect();
        for (name, count, function) in uncalled {
            self.flow = Flow { header: true, cautioned: true, ..Flow::new() };
            let args = function.params.iter().map(|_| Value::any()).collect();
            self.inline(name, count, args, Position::NONE);
        }
    }

    fn frame(&mut self) -> &mut Frame {
        self.frames.last_mut().expect("the script itself is a frame that is never taken off")
    }

    /// Whether the budget is used up.
    fn is_spent(&self) -> bool {
        self.fuel == 0
    }

    pub(super) fn spent(self) -> (Report, bool) {
        let spent = self.is_spent();
        (self.report, spent)
    }

    // ------------------------------------------------------------ telling

    /// The innermost call of a named function around this point.
    pub(super) fn call_around(&self) -> Option<Call> {
        self.frames.last()?.call.clone()
    }

    pub(super) fn tell(&mut self, class: Class, kind: Kind, at: Position, seen: String, cure: String) {
        // Where nothing gets, values may be impossible ones; names are what they are.
        let named = matches!(
            kind,
            Kind::Channel | Kind::Output | Kind::Setup | Kind::Undeclared | Kind::Variable | Kind::Function
        );
        if self.flow.life == Life::Dead && !named {
            return;
        }
        let call = self.call_around();
        self.report.put(class, kind, at, (seen, cure), call);
    }

    pub(super) fn mistake(
        &mut self,
        kind: Kind,
        at: Position,
        seen: impl Into<String>,
        cure: impl Into<String>,
    ) {
        self.tell(Class::Mistake, kind, at, seen.into(), cure.into());
    }

    pub(super) fn hint(
        &mut self,
        kind: Kind,
        at: Position,
        seen: impl Into<String>,
        cure: impl Into<String>,
    ) {
        self.tell(Class::Hint, kind, at, seen.into(), cure.into());
    }

    pub(super) fn undecided(
        &mut self,
        kind: Kind,
        at: Position,
        seen: impl Into<String>,
        cure: impl Into<String>,
    ) {
        if self.flow.life != Life::Dead && !self.is_spent() {
            self.tell(Class::Undecided, kind, at, seen.into(), cure.into());
        }
    }

    // ------------------------------------------------------------ variables

    pub(super) fn declare(&mut self, name: &str, value: Value, of_run: bool) -> u32 {
        let home = if self.flow.step.is_none() && self.frames.len() == 1 { Home::Top } else { Home::Within };
        let id = self.next_cell;
        self.next_cell += 1;
        self.flow.cells.insert(id, Cell { value, home, shared: false, present: BTreeSet::new(), of_run });
        self.scopes.push((name.to_string(), id));
        id
    }

    fn lookup(&self, name: &str) -> Option<u32> {
        let base = self.frames.last().map_or(0, |frame| frame.base);
        let visible = self.scopes.get(base..).unwrap_or_default();
        visible.iter().rev().find(|(known, _)| known == name).map(|(_, id)| *id)
    }

    /// The names that can be seen from here.
    fn visible(&self) -> impl Iterator<Item = &str> {
        let base = self.frames.last().map_or(0, |frame| frame.base);
        self.scopes.get(base..).unwrap_or_default().iter().map(|(name, _)| name.as_str())
    }

    /// Leaves the block that began when there were so many variables.
    fn leave_scope(&mut self, length: usize) {
        for (_, id) in self.scopes.drain(length.min(self.scopes.len())..) {
            if self.flow.cells.get(&id).is_some_and(|cell| !cell.shared) {
                self.flow.cells.remove(&id);
            }
        }
    }

    // ------------------------------------------------------------ the car

    /// The unit of a channel that the car has.
    pub(super) fn unit_of(&self, channel: &str) -> Option<&'g Unit> {
        self.ground.facts.channels.get(&ChannelId::new(channel).ok()?)
    }
}

/// Two ways that may be there.
fn join(a: Option<Flow>, b: Option<Flow>) -> Option<Flow> {
    match (a, b) {
        (Some(a), Some(b)) => Some(a.or(b)),
        (one, other) => one.or(other),
    }
}
