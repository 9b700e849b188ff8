//! The idle valve, its motor, and the closed loop that moves it while nobody holds it.

use super::decay;
use crate::parameters::{MAX_STEPS, Parameters};

/// The loop sees speed through a filter with this time constant, in s. Estimate.
const FILTER_TIME: f64 = 0.4;

#[derive(Debug)]
pub(crate) struct IdleControl {
    /// The position the tester holds it at.
    pub(crate) held: Option<u8>,
    /// Where the controller believes the valve stands: its motor's steps.
    pub(crate) believed: u8,
    /// Where the valve really stands, in steps.
    pub(crate) actual: f64,
    demand: f64,
    filtered: f64,
    /// Share of a motor step already waited for.
    ready: f64,
    filter_left: f64,
}

impl IdleControl {
    pub(crate) fn new(p: &Parameters, steps: u8) -> Self {
        debug_assert!(p.steps_per_second > 0.0);
        Self {
            held: None,
            believed: steps,
            actual: f64::from(steps),
            demand: f64::from(steps),
            filtered: 0.0,
            ready: 1.0,
            filter_left: decay(super::GRID_SECONDS, FILTER_TIME),
        }
    }

    /// Puts the valve where a long closed loop would have left it.
    pub(crate) fn settle_at(&mut self, steps: f64, rpm: f64) {
        self.prepare(steps.round(), rpm);
        self.believed = whole_steps(self.demand);
        self.actual = f64::from(self.believed);
    }

    /// Aims at a position from which the closed loop will go on.
    pub(crate) fn prepare(&mut self, steps: f64, rpm: f64) {
        self.demand = steps.clamp(0.0, f64::from(MAX_STEPS));
        self.filtered = rpm;
    }

    /// Holds the valve at a position, or gives it back: then the loop goes on from where it was held.
    pub(crate) fn hold(&mut self, steps: Option<u8>) {
        if let (Some(held), None) = (self.held, steps) {
            self.demand = f64::from(held);
        }
        self.held = steps;
    }

    /// One grid step. `aim` is the target speed while the engine runs.
    pub(crate) fn step(&mut self, p: &Parameters, aim: Option<f64>, rpm: f64, seconds: f64) {
        self.filtered = rpm + (self.filtered - rpm) * self.filter_left;
        if let (Some(target), None) = (aim, self.held) {
            let off = target - self.filtered;
            let counted = off - off.clamp(-p.idle_band, p.idle_band);
            self.demand = (self.demand + p.idle_gain * counted * seconds).clamp(0.0, f64::from(MAX_STEPS));
        }
        self.move_motor(p, seconds);
        self.follow(p.stick_band);
    }

    fn move_motor(&mut self, p: &Parameters, seconds: f64) {
        self.ready += p.steps_per_second * seconds;
        let wanted = self.held.unwrap_or_else(|| whole_steps(self.demand));
        if wanted == self.believed {
            // A motor at rest saves up no more than its next step.
            self.ready = self.ready.min(1.0);
        } else if self.ready >= 1.0 {
            self.believed = if wanted > self.believed { self.believed + 1 } else { self.believed - 1 };
            self.ready -= 1.0;
        }
    }

    /// A healthy valve is where its motor is. A sticking one stays until the motor is a band ahead, then
    /// jumps most of the way.
    fn follow(&mut self, band: f64) {
        let ahead = f64::from(self.believed) - self.actual;
        if band == 0.0 {
            self.actual = f64::from(self.believed);
        } else if ahead.abs() > band {
            self.actual += ahead * 0.8;
        }
    }
}

fn whole_steps(steps: f64) -> u8 {
    // In range by the clamp; the conversion saturates.
    steps.clamp(0.0, f64::from(MAX_STEPS)).round() as u8
}
