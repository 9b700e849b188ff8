//! Fuelling: the controller's estimate of the air, the lambda switch, and the trims that follow it.

use super::decay;
use crate::config::AirMeasurement;
use crate::parameters::Parameters;
use crate::random::Draws;

/// The short-term trim moves at this rate while the switch stays on one side, as a share a second. Estimate.
const RAMP: f64 = 0.03;
/// How far each trim goes, as a share.
pub(crate) const LIMIT: f64 = 0.25;
/// The long-term trim takes over from the short-term one with this time constant, in s. Estimate.
const LEARNING_TIME: f64 = 30.0;
/// The exhaust reaches the switch with this lag, in s. Estimate.
const SWITCH_LAG: f64 = 0.15;
/// Closed loop from this coolant temperature on, in degrees Celsius, and so long after the start, in s.
/// Estimates.
const WARM: f64 = 55.0;
const AFTER_START: f64 = 10.0;
/// Richer by this share at 20 degrees Celsius. Estimate.
const ENRICHMENT: f64 = 0.12;
/// The slow wander of a lean mixture has this correlation time, in s. Estimate.
const WANDER_TIME: f64 = 2.0;

#[derive(Debug)]
pub(crate) struct Fuel {
    /// Trims, as shares.
    pub(crate) short: f64,
    pub(crate) long: f64,
    /// Air to fuel over the stoichiometric one, as burnt.
    pub(crate) lambda: f64,
    at_switch: f64,
    wander: f64,
    running_for: f64,
    switch_left: f64,
    wander_left: f64,
}

/// What fuelling meets during one step.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Meets {
    pub(crate) running: bool,
    pub(crate) coolant: f64,
    /// Share of the air that comes in behind the meter.
    pub(crate) unmetered: f64,
    /// The throttle stands so far open that the mixture is not controlled.
    pub(crate) wide: bool,
}

impl Fuel {
    pub(crate) fn new(grid_seconds: f64) -> Self {
        Self {
            short: 0.0,
            long: 0.0,
            lambda: 1.0,
            at_switch: 1.0,
            wander: 0.0,
            running_for: 0.0,
            switch_left: decay(grid_seconds, SWITCH_LAG),
            wander_left: decay(grid_seconds, WANDER_TIME),
        }
    }

    /// Fuel for the air before the trims, as a share of what it takes.
    fn untrimmed(p: &Parameters, meets: &Meets) -> f64 {
        let seen = match p.air {
            // The pressure in the manifold counts whatever came in.
            AirMeasurement::Pressure => 1.0,
            AirMeasurement::Mass => 1.0 - meets.unmetered,
        };
        let cold = super::coolant::Coolant::share_below(meets.coolant, 70.0, 50.0);
        seen * (1.0 + p.fuel_error) * (1.0 - p.fuel_short) * (1.0 + ENRICHMENT * cold)
    }

    /// Where a long drive has left the trims.
    pub(crate) fn settle(&mut self, p: &Parameters, meets: &Meets) {
        let warm = Meets { coolant: 90.0, ..*meets };
        let needed = 1.0 / Self::untrimmed(p, &warm);
        self.long = (needed - 1.0).clamp(-LIMIT, LIMIT);
        self.running_for = AFTER_START;
        self.short =
            if meets.coolant >= WARM { (needed - 1.0 - self.long).clamp(-LIMIT, LIMIT) } else { 0.0 };
        self.lambda = 1.0 / (Self::untrimmed(p, meets) * (1.0 + self.short + self.long));
        self.at_switch = self.lambda;
    }

    pub(crate) fn step(&mut self, p: &Parameters, meets: &Meets, draws: &mut Draws, seconds: f64) {
        if !meets.running {
            (self.short, self.running_for) = (0.0, 0.0);
            return;
        }
        self.running_for += seconds;
        if p.fuel_wander > 0.0 {
            let kick = (1.0 - self.wander_left * self.wander_left).sqrt() * p.fuel_wander;
            self.wander = self.wander * self.wander_left + kick * draws.normal();
        }
        let fuel = Self::untrimmed(p, meets) * (1.0 + self.short + self.long) * (1.0 + self.wander);
        self.lambda = 1.0 / fuel.max(0.3);
        self.at_switch = self.lambda + (self.at_switch - self.lambda) * self.switch_left;
        if self.running_for < AFTER_START || meets.coolant < WARM || meets.wide {
            self.short = 0.0;
            return;
        }
        // The switch knows lean from rich and nothing else.
        let towards = if self.at_switch > 1.0 { RAMP } else { -RAMP };
        self.short = (self.short + towards * seconds).clamp(-LIMIT, LIMIT);
        let learned = self.short * seconds / LEARNING_TIME;
        let long = (self.long + learned).clamp(-LIMIT, LIMIT);
        self.short -= long - self.long;
        self.long = long;
    }
}
