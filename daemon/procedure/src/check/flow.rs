//! What is known at one point of a script, on every way that leads there.

use std::collections::{BTreeMap, BTreeSet};

use model::{OutputId, Span};

use super::value::Value;

/// Whether a point is reached.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub(super) enum Life {
    /// It is.
    Live,
    /// Not on this car, by its description; on another one it may be.
    NotOnThisCar,
    /// It is not, whatever the car.
    Dead,
}

/// Where a variable was declared.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Home {
    /// Outside every step.
    Top,
    /// Within a step or a function.
    Within,
}

/// A variable.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Cell {
    pub(super) value: Value,
    pub(super) home: Home,
    /// A closure shares it, so it outlives its block.
    pub(super) shared: bool,
    /// Its properties that are known not to be `()`.
    pub(super) present: BTreeSet<String>,
    /// Its value came from the car, a person or the notebook, outside every step.
    pub(super) of_run: bool,
}

/// What is known at one point.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Flow {
    pub(super) life: Life,
    pub(super) cells: BTreeMap<u32, Cell>,
    /// The header was given.
    pub(super) header: bool,
    /// Cautions were shown.
    pub(super) cautioned: bool,
    /// The step that is open.
    pub(super) step: Option<String>,
    /// Steps that were done or left out.
    pub(super) steps: BTreeSet<String>,
    /// Outputs that are held.
    pub(super) held: BTreeSet<OutputId>,
    /// What is read, by exchange, and how often that was asked for.
    pub(super) polled: BTreeMap<usize, Span>,
}

impl Flow {
    pub(super) fn new() -> Self {
        Self {
            life: Life::Live,
            cells: BTreeMap::new(),
            header: false,
            cautioned: false,
            step: None,
            steps: BTreeSet::new(),
            held: BTreeSet::new(),
            polled: BTreeMap::new(),
        }
    }

    pub(super) fn is_live(&self) -> bool {
        self.life == Life::Live
    }

    /// Nothing after this point is reached.
    pub(super) fn end(&mut self) {
        self.life = Life::Dead;
    }

    /// Either of two ways. A way that is not gone tells nothing.
    pub(super) fn or(self, other: Self) -> Self {
        if self.life != other.life {
            return if self.life < other.life { self } else { other };
        }
        let mut joined = self;
        for (id, cell) in other.cells {
            match joined.cells.get_mut(&id) {
                Some(own) => {
                    own.value = std::mem::take(&mut own.value).or(cell.value);
                    own.shared |= cell.shared;
                    own.of_run |= cell.of_run;
                    own.present.retain(|name| cell.present.contains(name));
                }
                None => {
                    joined.cells.insert(id, cell);
                }
            }
        }
        joined.header &= other.header;
        joined.cautioned &= other.cautioned;
        joined.steps.extend(other.steps);
        joined.held.extend(other.held);
        // What only one way polls may not be polled, and the rarer reading is the cheaper one.
        joined.polled.retain(|request, _| other.polled.contains_key(request));
        for (request, period) in &mut joined.polled {
            *period = (*period).max(other.polled.get(request).copied().unwrap_or(*period));
        }
        joined
    }

    /// Forgets what differs from a former state more than its kind; all of it where `wholly`.
    pub(super) fn widen(&mut self, former: &Self, wholly: bool) {
        for (id, cell) in &mut self.cells {
            if former.cells.get(id).is_none_or(|old| old.value != cell.value) {
                cell.value = if wholly { Value::any() } else { cell.value.widened() };
                cell.present.clear();
            }
        }
    }
}
