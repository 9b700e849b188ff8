//! The idle valve and its stepper motor.

use crate::parameters::{MAX_STEPS, Parameters};

#[derive(Debug)]
pub(crate) struct IdleValve {
    /// Where the controller believes the valve stands: its motor's steps.
    pub(crate) believed: u8,
    /// Where the valve really stands, in steps.
    pub(crate) actual: f64,
    /// Share of a motor step already waited for.
    ready: f64,
}

impl IdleValve {
    pub(crate) fn new(steps: u8) -> Self {
        Self { believed: steps, actual: f64::from(steps), ready: 1.0 }
    }

    /// Runs to its stop and back to a position: motor and valve agree again.
    pub(crate) fn home(&mut self, steps: f64) {
        *self = Self::new(whole_steps(steps));
    }

    pub(crate) fn step(&mut self, p: &Parameters, wanted: u8, seconds: f64) {
        self.ready += p.steps_per_second * seconds;
        if wanted == self.believed {
            // A motor at rest saves up no more than its next step.
            self.ready = self.ready.min(1.0);
        } else if self.ready >= 1.0 {
            self.believed = if wanted > self.believed { self.believed + 1 } else { self.believed - 1 };
            self.ready -= 1.0;
        }
        self.follow(p.stick_band);
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

pub(crate) fn whole_steps(steps: f64) -> u8 {
    // In range by the clamp; the conversion saturates.
    steps.clamp(0.0, f64::from(MAX_STEPS)).round() as u8
}
