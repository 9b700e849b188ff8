//! A pocket of steam around the coolant sensor: it reads low for seconds to a minute, in jumps.

use crate::parameters::Parameters;
use crate::random::Draws;

/// Mean times without a pocket, with one, and between two jumps within it, in s. Estimates.
const WITHOUT: f64 = 45.0;
const WITH: f64 = 25.0;
const BETWEEN_JUMPS: f64 = 3.0;

#[derive(Debug, Default)]
pub(crate) struct Pocket {
    /// How far the sensor reads low, in K.
    pub(crate) low: f64,
}

impl Pocket {
    pub(crate) fn step(&mut self, p: &Parameters, running: bool, draws: &mut Draws, seconds: f64) {
        if p.pocket_kelvin == 0.0 {
            return;
        }
        if !running {
            self.low = 0.0;
            return;
        }
        let luck = draws.unit();
        let jump = if self.low == 0.0 {
            luck < seconds / WITHOUT
        } else if luck < seconds / WITH {
            self.low = 0.0;
            false
        } else {
            luck > 1.0 - seconds / BETWEEN_JUMPS
        };
        if jump {
            self.low = draws.between((0.3, 1.0)) * p.pocket_kelvin;
        }
    }
}
