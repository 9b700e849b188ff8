//! The engine: speed, idle valve, coolant and battery on a fixed grid of time.
//!
//! Every first-order quantity takes the exact step of its exponential, so that the result does not depend on
//! the width of the grid; and grid points are fixed, so that it does not depend on how often anybody looks.
//! A change from outside (screw, load, hold) acts from the grid point at or before it.

mod coolant;
mod idle;

use crate::config::WorldConfig;
use crate::fault::Severities;
use crate::parameters::{BASIC_STEPS, CRANK_RPM, Parameters, SCREW_TRAVEL, STALL_RPM, WARM_IDLE};
use crate::random::{Draws, Purpose};
use crate::truth::Readings;

use coolant::Coolant;
use idle::IdleControl;

/// The grid, in nanoseconds.
pub(crate) const GRID: i64 = 10_000_000;
const GRID_SECONDS: f64 = 0.01;

/// Speed falls with this time constant once the ignition is off, in s. Estimate.
const RUN_DOWN_TIME: f64 = 0.35;
/// The starter reaches its speed with this time constant, in s. Estimate.
const STARTER_TIME: f64 = 0.12;
/// Battery voltage follows charging, cranking and rest with this time constant, in s. Estimate.
const BATTERY_TIME: f64 = 0.8;
/// Charging voltage lost under full load, in V. Estimate.
const LOAD_VOLTS: f64 = 0.4;

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Phase {
    Stopped,
    /// Turned by the starter until this moment.
    Cranking(i64),
    Running,
}

/// What is left of a difference after one grid step, for each time constant.
#[derive(Debug)]
struct Decays {
    running: f64,
    starter: f64,
    run_down: f64,
    cyclic: f64,
    cyclic_kick: f64,
    battery: f64,
}

#[derive(Debug)]
pub(crate) struct Engine {
    pub(crate) parameters: Parameters,
    pub(crate) idle: IdleControl,
    pub(crate) screw: f64,
    pub(crate) load: f64,
    pub(crate) throttle_volts: f64,
    coolant: Coolant,
    phase: Phase,
    mean: f64,
    cyclic: f64,
    battery: f64,
    decays: Decays,
    draws: Draws,
    /// The grid point of this state.
    at: i64,
}

/// What is left after `seconds` of a difference that dies with `time_constant`.
fn decay(seconds: f64, time_constant: f64) -> f64 {
    (-seconds / time_constant).exp()
}

impl Engine {
    /// An idling engine whose idle control has settled.
    pub(crate) fn new(config: &WorldConfig, faults: &Severities) -> Self {
        let parameters = Parameters::draw(config, faults);
        let cyclic = decay(GRID_SECONDS, parameters.cyclic_time);
        let decays = Decays {
            running: decay(GRID_SECONDS, parameters.rpm_time_constant),
            starter: decay(GRID_SECONDS, STARTER_TIME),
            run_down: decay(GRID_SECONDS, RUN_DOWN_TIME),
            cyclic,
            cyclic_kick: (1.0 - cyclic * cyclic).sqrt() * parameters.cyclic,
            battery: decay(GRID_SECONDS, BATTERY_TIME),
        };
        let mut engine = Self {
            coolant: Coolant::new(&parameters, GRID_SECONDS),
            idle: IdleControl::new(&parameters, BASIC_STEPS),
            screw: parameters.screw_start,
            load: 0.0,
            throttle_volts: parameters.throttle_volts,
            phase: Phase::Running,
            mean: WARM_IDLE,
            cyclic: 0.0,
            battery: parameters.charging,
            decays,
            draws: Draws::new(config.seed, Purpose::Engine),
            at: config.begin,
            parameters,
        };
        let lacking = engine.target() - engine.carried();
        let steps = f64::from(BASIC_STEPS) + lacking / engine.parameters.rpm_per_step;
        engine.idle.settle_at(steps, engine.target());
        engine.mean = engine.carried();
        engine
    }

    /// Lives through every whole grid step up to `until`.
    pub(crate) fn advance(&mut self, until: i64) {
        while self.at.saturating_add(GRID) <= until {
            if self.phase == Phase::Stopped && self.mean == 0.0 && self.battery_at_rest() {
                self.rest(until);
                return;
            }
            self.step();
        }
    }

    /// Turns the engine over and lets it run. Nothing happens while it runs.
    pub(crate) fn crank(&mut self, now: i64) {
        self.advance(now);
        if self.phase == Phase::Stopped {
            let time = (self.parameters.crank_time * 1e9) as i64;
            self.phase = Phase::Cranking(now.saturating_add(time));
            // Controllers open the valve for the start to where it will probably be needed.
            let lift = (self.target() - WARM_IDLE) / self.parameters.rpm_per_step;
            self.idle.prepare(f64::from(BASIC_STEPS) + lift, self.target());
        }
    }

    /// Ignition off.
    pub(crate) fn stop(&mut self, now: i64) {
        self.advance(now);
        self.phase = Phase::Stopped;
    }

    pub(crate) fn turn_screw(&mut self, now: i64, turns: f64) {
        self.advance(now);
        self.screw = (self.screw + turns).clamp(0.0, SCREW_TRAVEL);
    }

    pub(crate) fn is_running(&self) -> bool {
        self.phase == Phase::Running
    }

    /// Speed without cyclic variation at `now`, which must not lie before the last grid point.
    pub(crate) fn mean_rpm(&self, now: i64) -> f64 {
        let seconds = now.saturating_sub(self.at).max(0) as f64 * 1e-9;
        let (goal, time_constant) = match self.phase {
            Phase::Running => (self.carried(), self.parameters.rpm_time_constant),
            Phase::Cranking(_) => (CRANK_RPM, STARTER_TIME),
            Phase::Stopped => (0.0, RUN_DOWN_TIME),
        };
        goal + (self.mean - goal) * decay(seconds, time_constant)
    }

    /// Everything measurable at `now`, as it really is.
    pub(crate) fn readings(&self, now: i64) -> Readings {
        let rpm = (self.mean_rpm(now) + self.cyclic).max(0.0);
        let air = if self.is_running() { self.air() } else { 0.0 };
        Readings {
            rpm,
            throttle_volts: self.throttle_volts,
            coolant: self.coolant.temperature(&self.parameters, self.is_running()),
            battery: self.battery,
            intake: self.coolant.intake(&self.parameters),
            manifold_kpa: self.parameters.manifold(air, rpm) * 1e-3,
            air_g_per_s: air * 1e3,
        }
    }

    /// The idle speed the controller aims at, raised while the coolant is below 70 degrees Celsius.
    pub(crate) fn target(&self) -> f64 {
        WARM_IDLE + self.parameters.cold_extra * self.coolant.below(70.0, 50.0)
    }

    /// The speed the air let in would carry with no drag and no load, in r/min: linear in opening, as the
    /// flow through a choked opening does not depend on the pressure behind it.
    fn opening(&self) -> f64 {
        let p = &self.parameters;
        WARM_IDLE
            + p.rpm_per_step * (self.idle.actual - f64::from(BASIC_STEPS))
            + p.rpm_per_turn * (self.screw - p.screw_right)
    }

    /// The speed the engine settles at as things stand, in r/min.
    fn carried(&self) -> f64 {
        let p = &self.parameters;
        let drag = p.cold_drag * self.coolant.below(80.0, 60.0);
        (self.opening() - drag - p.load_drop * self.load).max(0.0)
    }

    fn air(&self) -> f64 {
        (self.parameters.idle_air * self.opening() / WARM_IDLE).max(0.0)
    }

    fn step(&mut self) {
        let next = self.at + GRID;
        let (goal, left) = match self.phase {
            Phase::Running => (self.carried(), self.decays.running),
            Phase::Cranking(_) => (CRANK_RPM, self.decays.starter),
            Phase::Stopped => (0.0, self.decays.run_down),
        };
        self.mean = goal + (self.mean - goal) * left;
        match self.phase {
            Phase::Running => {
                self.cyclic =
                    self.cyclic * self.decays.cyclic + self.decays.cyclic_kick * self.draws.normal();
                if self.mean < STALL_RPM && goal < STALL_RPM {
                    self.phase = Phase::Stopped;
                }
            }
            Phase::Cranking(until) if next >= until => self.phase = Phase::Running,
            Phase::Cranking(_) => {}
            Phase::Stopped => {
                self.cyclic = 0.0;
                if self.mean < 1.0 {
                    self.mean = 0.0;
                }
            }
        }
        let running = self.is_running();
        let aim = running.then(|| self.target());
        self.idle.step(&self.parameters, aim, self.mean + self.cyclic, GRID_SECONDS);
        self.coolant.step(&self.parameters, running, GRID_SECONDS);
        let volts = self.battery_goal();
        self.battery = volts + (self.battery - volts) * self.decays.battery;
        self.at = next;
    }

    fn battery_goal(&self) -> f64 {
        match self.phase {
            Phase::Running => self.parameters.charging - LOAD_VOLTS * self.load,
            Phase::Cranking(_) => self.parameters.cranking,
            Phase::Stopped => self.parameters.resting,
        }
    }

    fn battery_at_rest(&self) -> bool {
        (self.battery - self.parameters.resting).abs() < 1e-3
    }

    /// Passes the time of a cold soak in one step: only the coolant still changes.
    fn rest(&mut self, until: i64) {
        let steps = until.saturating_sub(self.at) / GRID;
        self.coolant.rest(&self.parameters, steps as f64 * GRID_SECONDS);
        self.at += steps * GRID;
    }
}

#[cfg(test)]
mod tests;
