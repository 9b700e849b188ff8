//! The moments of the rows of the wide shape.

use model::{ChannelId, Moment, Problem, Span};

use super::columns::{find, shown};
use super::options::{Every, Fill};
use crate::problem::argument;
use crate::read::Session;

/// No reading is timed more finely.
const FINEST: Span = Span::from_micros(100);
/// More rows than this are a slip of the finger.
const MOST_ROWS: i128 = 100_000_000;
/// Rows that may have to wait for a reading that could still come.
const MOST_WAITING: i64 = 1_000_000;

/// The moments.
#[derive(Debug, Clone)]
pub(super) enum Grid {
    /// At a fixed distance, from the start of each stretch.
    Time(Span),
    /// Whenever a channel was read.
    SampleOf(ChannelId),
}

impl Grid {
    pub(super) fn plan(
        session: &Session,
        every: &Every,
        fill: Fill,
        max_age: Span,
        ranges: &[(Moment, Moment)],
        problems: &mut Vec<Problem>,
    ) -> Self {
        let mut refuse = |name: &str, seen: String, cure: String| problems.push(argument(name, seen, cure));
        if max_age <= Span::ZERO {
            refuse(
                "--max-age",
                "a reading can be no younger than now".into(),
                "give a time above zero".into(),
            );
        }
        match every {
            Every::Time(step) => {
                let step = *step;
                if step < FINEST {
                    let seen = format!("a row every {step} is finer than any reading is timed");
                    refuse("--every", seen, format!("use {FINEST} or more"));
                    return Self::Time(FINEST);
                }
                let rows = |(from, to): &(Moment, Moment)| i128::from(to.since(*from).0 / step.0) + 1;
                let rows: i128 = ranges.iter().map(rows).sum();
                if rows > MOST_ROWS {
                    let seen = format!("a row every {step} makes {rows} rows");
                    refuse("--every", seen, "choose a longer time, or a part of the session".into());
                }
                if fill == Fill::Linear && max_age.0 / step.0 > MOST_WAITING {
                    let seen =
                        format!("a row every {step} with two readings {max_age} apart is too much to hold");
                    refuse("--max-age", seen, "choose a shorter time, or fewer rows".into());
                }
                Self::Time(step)
            }
            Every::SampleOf(name) => match find(&session.head().channels, name) {
                Ok(channel) => Self::SampleOf(channel.id.clone()),
                Err(cure) => {
                    refuse("--every", format!("the session has no channel '{}'", shown(name)), cure);
                    Self::Time(FINEST)
                }
            },
        }
    }

    /// The distance of two rows, where it is fixed.
    pub(super) fn step(&self) -> Option<Span> {
        match self {
            Self::Time(step) => Some(*step),
            Self::SampleOf(_) => None,
        }
    }
}

/// Gives the moments in their order, as far as the rows of the session have been read.
pub(super) struct Points<'g> {
    grid: &'g Grid,
    ranges: &'g [(Moment, Moment)],
    range: usize,
    next: Option<Moment>,
}

impl<'g> Points<'g> {
    pub(super) fn new(grid: &'g Grid, ranges: &'g [(Moment, Moment)]) -> Self {
        Self { grid, ranges, range: 0, next: None }
    }

    /// The next moment of a fixed grid that is not after `until`.
    pub(super) fn due(&mut self, until: Moment) -> Option<Moment> {
        let step = self.grid.step()?;
        loop {
            let (from, to) = *self.ranges.get(self.range)?;
            let at = self.next.unwrap_or(from);
            if at > to {
                (self.range, self.next) = (self.range + 1, None);
                continue;
            }
            if at > until {
                return None;
            }
            // A moment at the end of time is the last.
            self.next = Some(at + step);
            if at + step == at {
                self.range = self.ranges.len();
            }
            return Some(at);
        }
    }

    /// Whether a reading of a channel makes a row of its own.
    pub(super) fn made_by(&mut self, channel: &ChannelId, at: Moment) -> bool {
        let Grid::SampleOf(wanted) = self.grid else { return false };
        while self.ranges.get(self.range).is_some_and(|(_, to)| *to < at) {
            self.range += 1;
        }
        wanted == channel && self.ranges.get(self.range).is_some_and(|(from, _)| *from <= at)
    }

    /// Whether no moment can follow one at which the session has been read.
    pub(super) fn over(&self, read_to: Moment) -> bool {
        self.ranges.last().is_none_or(|(_, to)| read_to > *to)
    }
}
