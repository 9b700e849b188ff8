//! Which value a channel has at a moment at which it was not read: the three rules, as machines that are told the
//! rows of the grid and the readings in the order of time.

use std::collections::VecDeque;

use model::{Moment, Span};

/// A row of the grid that has all its values.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Pending {
    pub(super) at: Moment,
    pub(super) cells: Vec<Option<f64>>,
}

/// A rule. Between two readings the caller tells the rows of the grid that are not after the later one, and takes
/// with [`Filler::ready`] what is complete.
pub(super) trait Filler {
    /// A row of the grid begins.
    fn point(&mut self, at: Moment);
    /// A column was read; without a value where it was a gap, or a reading that is not good.
    fn reading(&mut self, column: usize, at: Moment, value: Option<f64>);
    /// The next row that is complete, every reading before `read_to` having been told.
    fn ready(&mut self, read_to: Moment) -> Option<Pending>;
    /// Whether readings at `read_to` and later change none of the rows told so far.
    fn is_done(&self, read_to: Moment) -> bool;
    /// No reading and no row follows.
    fn end(&mut self);
}

/// A reading: when, and what.
type Reading = Option<(Moment, f64)>;

/// The newest reading at or before the moment.
pub(super) struct LastValue {
    waiting: VecDeque<Moment>,
    newest: Vec<Reading>,
    max_age: Span,
}

impl LastValue {
    pub(super) fn new(columns: usize, max_age: Span) -> Self {
        Self { waiting: VecDeque::new(), newest: vec![None; columns], max_age }
    }
}

impl Filler for LastValue {
    fn point(&mut self, at: Moment) {
        self.waiting.push_back(at);
    }

    fn reading(&mut self, column: usize, at: Moment, value: Option<f64>) {
        self.newest[column] = value.map(|value| (at, value));
    }

    fn ready(&mut self, read_to: Moment) -> Option<Pending> {
        // A reading at the very moment of the row counts, so the row waits until that moment has passed.
        let at = self.waiting.pop_front_if(|at| *at < read_to)?;
        let cell = |newest: &Reading| {
            newest.and_then(|(read, value)| (at.since(read) <= self.max_age).then_some(value))
        };
        Some(Pending { at, cells: self.newest.iter().map(cell).collect() })
    }

    fn is_done(&self, _: Moment) -> bool {
        self.waiting.is_empty()
    }

    fn end(&mut self) {}
}

/// On the straight line between two readings.
pub(super) struct Linear {
    waiting: VecDeque<Pending>,
    /// Rows that were complete before the first of those that wait.
    gone: u64,
    /// Rows that each column has a value for, or never will.
    settled: Vec<u64>,
    /// Rows before `read_to`, of all that were told.
    passed: u64,
    newest: Vec<Reading>,
    max_age: Span,
}

impl Linear {
    pub(super) fn new(columns: usize, max_age: Span) -> Self {
        Self {
            waiting: VecDeque::new(),
            gone: 0,
            settled: vec![0; columns],
            passed: 0,
            newest: vec![None; columns],
            max_age,
        }
    }
}

impl Filler for Linear {
    fn point(&mut self, at: Moment) {
        self.waiting.push_back(Pending { at, cells: vec![None; self.newest.len()] });
    }

    fn reading(&mut self, column: usize, at: Moment, value: Option<f64>) {
        let line = match (self.newest[column], value) {
            (Some((start, from)), Some(to)) if at.since(start) <= self.max_age => Some((start, from, to)),
            _ => None,
        };
        let first = (self.settled[column] - self.gone) as usize;
        for row in self.waiting.range_mut(first..).take_while(|row| row.at <= at) {
            row.cells[column] = if row.at == at {
                value
            } else {
                line.map(|(start, from, to)| {
                    from + (to - from) * (row.at.since(start).0 as f64 / at.since(start).0 as f64)
                })
            };
            self.settled[column] += 1;
        }
        self.newest[column] = value.map(|value| (at, value));
    }

    fn ready(&mut self, read_to: Moment) -> Option<Pending> {
        while self.waiting.get((self.passed - self.gone) as usize).is_some_and(|row| row.at < read_to) {
            self.passed += 1;
        }
        for (settled, newest) in self.settled.iter_mut().zip(&self.newest) {
            // Whatever comes is too far from the reading before it: nothing lies between the two.
            if newest.is_none_or(|(at, _)| read_to.since(at) > self.max_age) {
                *settled = (*settled).max(self.passed);
            }
        }
        let least = self.settled.iter().min().copied().unwrap_or(self.passed);
        if least <= self.gone {
            return None;
        }
        self.gone += 1;
        self.waiting.pop_front()
    }

    fn is_done(&self, _: Moment) -> bool {
        self.waiting.is_empty()
    }

    fn end(&mut self) {
        self.newest.fill(None);
    }
}

/// A row of the grid that is being filled: for each column the nearest reading so far, with its distance.
struct Cell {
    at: Moment,
    before: Vec<Option<(Span, f64)>>,
    /// The distance to the row before; none for the first row of a grid without a fixed distance.
    width: Option<Span>,
}

/// The reading nearest to the moment, among those nearer to it than to any other row.
pub(super) struct Nearest {
    ready: VecDeque<Pending>,
    filling: Option<Cell>,
    /// The first and the newest reading of each column since that row.
    first: Vec<Reading>,
    newest: Vec<Reading>,
    max_age: Span,
    step: Option<Span>,
}

impl Nearest {
    pub(super) fn new(columns: usize, max_age: Span, step: Option<Span>) -> Self {
        let none = vec![None; columns];
        Self { ready: VecDeque::new(), filling: None, first: none.clone(), newest: none, max_age, step }
    }

    /// Ends the row that is being filled, with the distance to the row after it.
    fn close(&mut self, width: Option<Span>) {
        let Some(cell) = self.filling.take() else { return };
        // The first row and the last have as much room on their free side as on the other.
        let after = self.step.or(width).or(cell.width).unwrap_or(Span::ZERO);
        let before = self.step.or(cell.width).or(width).unwrap_or(Span::ZERO);
        let near = |distance: Span, within: bool| within && distance <= self.max_age;
        let value = |(kept, first): (&Option<(Span, f64)>, &Reading)| {
            let kept = kept.filter(|(distance, _)| near(*distance, *distance * 2 <= before));
            let later = first.map(|(at, value)| (at.since(cell.at), value));
            let later = later
                .filter(|(distance, _)| near(*distance, *distance == Span::ZERO || *distance * 2 < after));
            match (kept, later) {
                (Some(kept), Some(later)) if later.0 < kept.0 => Some(later.1),
                (Some(kept), _) => Some(kept.1),
                (None, later) => later.map(|later| later.1),
            }
        };
        let cells = cell.before.iter().zip(&self.first).map(value).collect();
        self.ready.push_back(Pending { at: cell.at, cells });
    }
}

impl Filler for Nearest {
    fn point(&mut self, at: Moment) {
        let width = self.filling.as_ref().map(|cell| at.since(cell.at));
        self.close(width);
        let before = self.newest.iter().map(|newest| newest.map(|(read, value)| (at.since(read), value)));
        self.filling = Some(Cell { at, before: before.collect(), width });
        self.first.fill(None);
        self.newest.fill(None);
    }

    fn reading(&mut self, column: usize, at: Moment, value: Option<f64>) {
        if let Some(value) = value {
            self.first[column].get_or_insert((at, value));
            self.newest[column] = Some((at, value));
        }
    }

    fn ready(&mut self, _: Moment) -> Option<Pending> {
        self.ready.pop_front()
    }

    fn is_done(&self, read_to: Moment) -> bool {
        let reach = self.step.unwrap_or(self.max_age).min(self.max_age);
        self.filling.as_ref().is_none_or(|cell| read_to.since(cell.at) > reach)
    }

    fn end(&mut self) {
        self.close(None);
    }
}
