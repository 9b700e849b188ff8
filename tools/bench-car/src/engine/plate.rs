//! The throttle plate: its stop, its cable, and the hands and feet on them.

use super::decay;
use crate::parameters::Parameters;
use crate::random::Draws;

/// The plate follows its cable with this time constant, in s. Estimate.
const FOLLOWS: f64 = 0.06;

#[derive(Debug)]
pub(crate) struct Plate {
    /// How far the plate is open, in degrees from the right place of its closed stop.
    pub(crate) opened: f64,
    /// How fast it moves, in degrees a second.
    pub(crate) speed: f64,
    pedal: f64,
    pushed: bool,
    /// How far the cable holds it open since the last release, in degrees.
    cable: f64,
    left: f64,
}

impl Plate {
    pub(crate) fn new(p: &Parameters, cold: f64, grid_seconds: f64, draws: &mut Draws) -> Self {
        let mut plate = Self {
            opened: 0.0,
            speed: 0.0,
            pedal: 0.0,
            pushed: false,
            cable: 0.0,
            left: decay(grid_seconds, FOLLOWS),
        };
        plate.release(p, draws);
        plate.opened = plate.goal(p, cold);
        plate
    }

    /// A tight cable rests a little elsewhere after every release.
    fn release(&mut self, p: &Parameters, draws: &mut Draws) {
        self.cable = draws.between((0.4, 1.0)) * p.cable_degrees;
    }

    pub(crate) fn press(&mut self, p: &Parameters, fraction: f64, draws: &mut Draws) {
        let released = self.pedal > 0.0 && fraction <= 0.0;
        self.pedal = fraction.clamp(0.0, 1.0);
        if released {
            self.release(p, draws);
        }
    }

    /// Pushes the plate shut by hand against its cable, or lets it go.
    pub(crate) fn push_shut(&mut self, pushed: bool) {
        self.pushed = pushed;
    }

    fn goal(&self, p: &Parameters, cold: f64) -> f64 {
        let stop = p.stop_degrees.max(cold);
        if self.pushed {
            // The hand overcomes cable and pedal, not the stop and not the wax.
            return stop;
        }
        stop.max(self.cable).max(self.pedal * p.plate_span)
    }

    pub(crate) fn step(&mut self, p: &Parameters, cold: f64, seconds: f64) {
        let goal = self.goal(p, cold);
        let before = self.opened;
        self.opened = goal + (self.opened - goal) * self.left;
        if (self.opened - goal).abs() < 1e-3 {
            self.opened = goal;
        }
        self.speed = (self.opened - before) / seconds;
    }
}
