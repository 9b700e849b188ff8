//! Coolant temperature: first-order toward the thermostat's while running, toward the surroundings else.

use std::f64::consts::TAU;

use super::decay;
use crate::parameters::Parameters;

#[derive(Debug)]
pub(crate) struct Coolant {
    base: f64,
    warming: f64,
    cooling: f64,
    /// Where the fan's cycle stands, in turns.
    cycle: f64,
}

impl Coolant {
    pub(crate) fn new(p: &Parameters, grid_seconds: f64) -> Self {
        Self {
            base: p.coolant_start,
            warming: decay(grid_seconds, p.warm_up_time),
            cooling: decay(grid_seconds, p.cool_down_time),
            cycle: 0.0,
        }
    }

    pub(crate) fn step(&mut self, p: &Parameters, running: bool, seconds: f64) {
        let (goal, left) =
            if running { (p.thermostat, self.warming) } else { (p.surroundings, self.cooling) };
        self.base = goal + (self.base - goal) * left;
        self.cycle = (self.cycle + seconds / p.ripple_period).fract();
    }

    pub(crate) fn rest(&mut self, p: &Parameters, seconds: f64) {
        self.base = p.surroundings + (self.base - p.surroundings) * decay(seconds, p.cool_down_time);
    }

    /// Degrees Celsius. The ripple grows over the last five degrees below the thermostat's temperature.
    pub(crate) fn temperature(&self, p: &Parameters, running: bool) -> f64 {
        let nearness = (1.0 - (p.thermostat - self.base) / 5.0).clamp(0.0, 1.0);
        let ripple = if running { p.ripple * nearness * (TAU * self.cycle).sin() } else { 0.0 };
        self.base + ripple
    }

    /// Air at the inlet, in degrees Celsius: under the bonnet it takes up a fifth of the coolant's excess.
    /// Estimate.
    pub(crate) fn intake(&self, p: &Parameters) -> f64 {
        p.surroundings + 0.2 * (self.base - p.surroundings)
    }

    /// How far it is below `edge`, as a share of `width` degrees, 0 to 1.
    pub(crate) fn below(&self, edge: f64, width: f64) -> f64 {
        ((edge - self.base) / width).clamp(0.0, 1.0)
    }
}
