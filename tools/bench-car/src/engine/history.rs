//! Sums of the true quantities over time, for judging afterwards what was measured.

use crate::truth::{Readings, Truthful};

/// Grid steps between two sums.
const EVERY: i64 = 2;

/// A stretch without gaps.
#[derive(Debug)]
struct Stretch {
    from: i64,
    /// Sums up to each further moment, in quantity times seconds.
    sums: Vec<[f64; Truthful::COUNT]>,
}

#[derive(Debug)]
pub(crate) struct History {
    grid: i64,
    stretches: Vec<Stretch>,
    running: [f64; Truthful::COUNT],
    steps: i64,
}

impl History {
    pub(crate) fn new(at: i64, grid: i64) -> Self {
        let mut history = Self { grid, stretches: Vec::new(), running: [0.0; Truthful::COUNT], steps: 0 };
        history.begin(at);
        history
    }

    /// Begins a new stretch, after time of which nothing was kept.
    pub(crate) fn begin(&mut self, at: i64) {
        (self.running, self.steps) = ([0.0; Truthful::COUNT], 0);
        self.stretches.push(Stretch { from: at, sums: vec![[0.0; Truthful::COUNT]] });
    }

    /// Takes in one grid step; `mean_rpm` is the speed without cyclic variation.
    pub(crate) fn take(&mut self, readings: &Readings, mean_rpm: f64) {
        let seconds = self.grid as f64 * 1e-9;
        for what in Truthful::ALL {
            self.running[what as usize] += what.of(readings, mean_rpm) * seconds;
        }
        self.steps += 1;
        if self.steps % EVERY == 0 {
            let stretch = self.stretches.last_mut().expect("a history begins with a stretch");
            stretch.sums.push(self.running);
        }
    }

    /// The mean over a time that lies wholly within what was kept.
    pub(crate) fn mean(&self, what: Truthful, from: i64, to: i64) -> Option<f64> {
        if to <= from {
            return None;
        }
        let stretch = self.stretches.iter().rev().find(|stretch| stretch.from <= from)?;
        let sum = |at: i64| {
            let width = self.grid * EVERY;
            let (whole, part) = ((at - stretch.from) / width, (at - stretch.from) % width);
            let whole = usize::try_from(whole).ok()?;
            let before = stretch.sums.get(whole)?[what as usize];
            if part == 0 {
                return Some(before);
            }
            let after = stretch.sums.get(whole + 1)?[what as usize];
            Some(before + (after - before) * part as f64 / width as f64)
        };
        Some((sum(to)? - sum(from)?) / ((to - from) as f64 * 1e-9))
    }
}
