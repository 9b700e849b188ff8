//! The exchange schedule: earliest deadline first over the wanted periods, with measured costs.
//!
//! Each item is a request with the time wanted between two of them and the time it was found to take. When
//! more is wanted than the wire can do, every period is stretched in proportion, so that rates degrade and
//! nothing starves. Items that a waiting gate needs come first: they keep their periods up to
//! [`BOOSTED_SHARE`] of the wire, more where the others want less, and the others share what is left.

use model::{Moment, Span};

/// The largest share of the wire that boosted items may take while others are wanted (our choice, no published
/// source): a fifth keeps guards and records going.
pub const BOOSTED_SHARE: f64 = 0.8;

#[derive(Debug, Clone)]
struct Item {
    period: Option<Span>,
    cost: Span,
    /// The earliest moment of the next exchange.
    due: Moment,
    boosted: bool,
}

/// The schedule.
#[derive(Debug, Clone, Default)]
pub struct Schedule {
    items: Vec<Item>,
}

impl Schedule {
    /// A schedule of items that nobody wants yet, with the cost expected of each.
    pub fn new(costs: &[Span]) -> Self {
        let item = |cost: &Span| Item {
            period: None,
            cost: (*cost).max(Span::from_micros(1)),
            due: Moment::ZERO,
            boosted: false,
        };
        Self { items: costs.iter().map(item).collect() }
    }

    /// How many items there are.
    pub fn len(&self) -> usize {
        self.items.len()
    }

    /// Whether there are none.
    pub fn is_empty(&self) -> bool {
        self.items.is_empty()
    }

    /// Wants item `i` this often, or no more. A newly wanted item is due at once.
    pub fn want(&mut self, i: usize, period: Option<Span>, now: Moment) {
        if let Some(item) = self.items.get_mut(i) {
            if item.period.is_none() {
                item.due = now;
            }
            item.period = period.map(|p| p.max(Span::from_micros(1)));
        }
    }

    /// Puts exactly these items first.
    pub fn boost(&mut self, first: &[usize]) {
        for (i, item) in self.items.iter_mut().enumerate() {
            item.boosted = first.contains(&i);
        }
    }

    fn load(&self, boosted: bool) -> f64 {
        let wanted = self.items.iter().filter(|item| item.boosted == boosted);
        wanted.filter_map(|item| Some(item.cost.0 as f64 / item.period?.0 as f64)).sum()
    }

    /// By how much the periods of boosted and of other items are stretched.
    pub fn stretch(&self) -> (f64, f64) {
        let (first, rest) = (self.load(true), self.load(false));
        if first == 0.0 || rest == 0.0 {
            return (first.max(1.0), rest.max(1.0));
        }
        if first + rest <= 1.0 {
            return (1.0, 1.0);
        }
        let first_share = first.min(BOOSTED_SHARE.max(1.0 - rest));
        ((first / first_share).max(1.0), (rest / (1.0 - first_share)).max(1.0))
    }

    fn stretched(&self, item: &Item, (first, rest): (f64, f64)) -> Option<Span> {
        let by = if item.boosted { first } else { rest };
        Some(Span((item.period?.0 as f64 * by) as i64))
    }

    /// The item to do now: of those that are due, the one whose deadline is earliest. On equal deadlines the
    /// one that has been due longest, then the first.
    pub fn pick(&self, now: Moment) -> Option<usize> {
        let stretch = self.stretch();
        let due = self.items.iter().enumerate().filter_map(|(i, item)| {
            let period = self.stretched(item, stretch)?;
            (item.due <= now).then_some((item.due + period, item.due, i))
        });
        due.min().map(|(_, _, i)| i)
    }

    /// When the next item becomes due.
    pub fn next_due(&self) -> Option<Moment> {
        self.items.iter().filter(|item| item.period.is_some()).map(|item| item.due).min()
    }

    /// Item `i` begins now. It is due again one stretched period after it was due, so that waiting for others
    /// does not lower its rate; but never further behind than one round of all items, so that a pause of the
    /// whole wire is not made up for.
    pub fn begun(&mut self, i: usize, now: Moment) {
        let stretch = self.stretch();
        let Some(period) = self.items.get(i).and_then(|item| self.stretched(item, stretch)) else { return };
        let wanted = self.items.iter().filter(|item| item.period.is_some());
        let round = wanted.fold(Span::ZERO, |sum, item| sum + item.cost);
        let item = &mut self.items[i];
        item.due = (item.due + period).max(now - round);
    }

    /// Item `i` was found to take this long, its gap to the next request included. The cost follows slowly,
    /// so that one slow answer does not shake every rate.
    pub fn took(&mut self, i: usize, cost: Span) {
        if let Some(item) = self.items.get_mut(i) {
            item.cost = (item.cost * 7 + cost.max(Span::from_micros(1))) / 8;
        }
    }

    /// Forgets what was found and expects these costs: the times in force have changed.
    pub fn expect(&mut self, costs: &[Span]) {
        for (item, cost) in self.items.iter_mut().zip(costs) {
            item.cost = (*cost).max(Span::from_micros(1));
        }
    }

    /// Puts item `i` off, because the controller refused it.
    pub fn put_off(&mut self, i: usize, until: Moment) {
        if let Some(item) = self.items.get_mut(i) {
            item.due = item.due.max(until);
        }
    }

    /// The cost found for item `i`.
    pub fn cost(&self, i: usize) -> Option<Span> {
        self.items.get(i).map(|item| item.cost)
    }
}

#[cfg(test)]
mod tests;
