//! The engine, a mean-value model on a fixed grid of time: air, combustion, crank, coolant, electrics, and
//! the parts of the controller that act on them all the time (idle, fuel, fan).
//!
//! Grid points are fixed, so that the result does not depend on how often anybody looks. A change from
//! outside (screw, pedal, load, hold) acts from the grid point at or before it. Cyclic variation is added to
//! the measured speed and not part of the model, so that the mean speed stays the truth of the mean.

mod air;
pub(crate) mod balance;
mod charge;
mod cold_air;
mod coolant;
mod crank;
mod electrics;
mod frame;
mod fuel;
mod history;
mod idle_control;
mod idle_valve;
mod manifold;
mod plate;
mod pocket;
mod start;
mod throttle_sensor;
mod torque;

use std::f64::consts::TAU;

use crate::controller::sensors::Disturbance;
use crate::parameters::{Parameters, SCREW_TRAVEL};
use crate::random::Draws;
use crate::truth::{Readings, Truthful};

pub use electrics::Load;

use air::{ATMOSPHERE, KELVIN, flow_factor, per_area, plate_area};
use charge::Charges;
use coolant::{Coolant, intake};
use crank::CAUGHT_RPM;
use electrics::{Battery, Loads, Supply};
use frame::Frame;
use fuel::{Fuel, Meets};
use history::History;
use idle_control::{IdleControl, Seen};
use idle_valve::IdleValve;
use manifold::{Breathing, fill, swallowed};
use plate::Plate;
use pocket::Pocket;
use throttle_sensor::ThrottleSensor;

/// The grid, in nanoseconds.
pub(crate) const GRID: i64 = 10_000_000;
pub(crate) const GRID_SECONDS: f64 = 0.01;

/// The starter is let go after this long, in nanoseconds. Estimate.
const STARTER_LIMIT: i64 = 2_500_000_000;
/// What a hand on the vacuum hose leaves of the leak.
const PINCHED_LEAK: f64 = 0.1;
/// The closed-throttle switch is made below this opening of the plate, in degrees. Estimate.
const SWITCH_DEGREES: f64 = 0.6;
/// The mixture is not controlled beyond this opening of the plate, in degrees. Estimate.
const WIDE_DEGREES: f64 = 50.0;

/// A hose that a hand can pinch.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Hose {
    /// To the cold-start air valve.
    ColdStartAir,
    /// The vacuum hose that leaks in a car with a leak.
    Vacuum,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Phase {
    Stopped,
    /// Turned by the starter; fires from one moment on, is let go at another.
    Cranking {
        fires_at: i64,
        ends_at: i64,
    },
    Running,
}

/// What flowed and worked since the beginning, for balances.
#[cfg(test)]
#[derive(Debug, Default)]
pub(crate) struct Ledger {
    pub(crate) air_came: f64,
    pub(crate) air_went: f64,
    pub(crate) work_given: f64,
    pub(crate) work_taken: f64,
}

/// One stream of draws for each use, so that none moves another.
#[derive(Debug)]
struct Streams {
    cyclic: Draws,
    throttle: Draws,
    fuel: Draws,
    pocket: Draws,
    hands: Draws,
    starter: Draws,
}

#[derive(Debug)]
pub(crate) struct Engine {
    pub(crate) parameters: Parameters,
    pub(crate) control: IdleControl,
    pub(crate) valve: IdleValve,
    pub(crate) screw: f64,
    pub(crate) loads: Loads,
    pub(crate) frame: Frame,
    plate: Plate,
    throttle: ThrottleSensor,
    coolant: Coolant,
    pocket: Pocket,
    fuel: Fuel,
    battery: Battery,
    charges: Charges,
    history: Option<History>,
    /// Steps a cold engine takes beyond a warm one at 20 degrees Celsius, by the controller's table.
    steps_at_20: f64,
    phase: Phase,
    /// The running engine has once run by itself.
    caught: bool,
    limited: bool,
    powered: bool,
    /// The voltage is too low for the controller.
    browned_out: bool,
    pinched: [bool; 2],
    /// Manifold pressure, in Pa.
    pressure: f64,
    /// Air through the meter, in kg/s.
    metered: f64,
    mean: f64,
    /// How the mean speed changes, in r/min a second.
    rate: f64,
    cyclic: f64,
    cyclic_left: f64,
    cyclic_kick: f64,
    streams: Streams,
    /// The grid point of this state.
    at: i64,
    #[cfg(test)]
    pub(crate) ledger: Ledger,
}

/// What is left after `seconds` of a difference that dies with `time_constant`.
fn decay(seconds: f64, time_constant: f64) -> f64 {
    (-seconds / time_constant).exp()
}

impl Engine {
    /// Lives through every whole grid step up to `until`.
    pub(crate) fn advance(&mut self, until: i64) {
        while self.at.saturating_add(GRID) <= until {
            if self.is_at_rest() {
                self.rest(until);
                return;
            }
            self.step();
        }
    }

    // Hands on the car.

    /// Turns the engine over and lets it run. Nothing happens while it runs.
    pub(crate) fn crank(&mut self, now: i64) {
        self.advance(now);
        if self.phase != Phase::Stopped {
            return;
        }
        let time = (self.parameters.crank_time * 1e9) as i64;
        let misses = self.streams.starter.unit() < self.parameters.misses_start;
        let fires_at = if misses { i64::MAX } else { now.saturating_add(time) };
        self.phase = Phase::Cranking { fires_at, ends_at: now.saturating_add(STARTER_LIMIT) };
        self.caught = false;
        // What was lacking comes back a little in the pause between two tries.
        self.parameters.misses_start *= 0.3;
        self.control.prepare(self.cold_steps());
    }

    /// Ignition off: the valve runs to its stop and to its start position.
    pub(crate) fn power_off(&mut self, now: i64) {
        self.advance(now);
        (self.phase, self.powered, self.browned_out) = (Phase::Stopped, false, false);
        self.control.hold(None);
    }

    /// Ignition on: the engine stands.
    pub(crate) fn power_on(&mut self, now: i64) {
        self.advance(now);
        self.wake();
        self.powered = true;
        let cold_steps = self.cold_steps();
        self.control.power_on(cold_steps);
        self.valve.home(self.control.opening());
    }

    pub(crate) fn turn_screw(&mut self, now: i64, turns: f64) {
        self.advance(now);
        self.screw = (self.screw + turns).clamp(0.0, SCREW_TRAVEL);
    }

    pub(crate) fn turn_throttle_sensor(&mut self, now: i64, degrees: f64) {
        self.advance(now);
        self.throttle.turn(degrees);
    }

    pub(crate) fn press_pedal(&mut self, now: i64, fraction: f64) {
        self.advance(now);
        self.wake();
        self.plate.press(&self.parameters, fraction, &mut self.streams.hands);
    }

    pub(crate) fn push_plate_shut(&mut self, now: i64, pushed: bool) {
        self.advance(now);
        self.wake();
        self.plate.push_shut(pushed);
    }

    pub(crate) fn pinch(&mut self, now: i64, hose: Hose, pinched: bool) {
        self.advance(now);
        self.pinched[hose as usize] = pinched;
    }

    // What there is to see.

    pub(crate) fn is_running(&self) -> bool {
        self.phase == Phase::Running
    }

    pub(crate) fn is_browned_out(&self) -> bool {
        self.browned_out
    }

    /// The next grid point, while the voltage may fall or rise through the controller's limits.
    pub(crate) fn next_watch(&self) -> Option<i64> {
        let watched = self.browned_out || matches!(self.phase, Phase::Cranking { .. });
        watched.then(|| self.at.saturating_add(GRID))
    }

    pub(crate) fn recognises_closed(&self) -> bool {
        self.control.closed && self.powered
    }

    pub(crate) fn closed_switch(&self) -> bool {
        self.plate.opened < SWITCH_DEGREES
    }

    pub(crate) fn idle_control_active(&self) -> bool {
        self.control.is_active(self.is_running())
    }

    /// Speed without cyclic variation at `now`, which must not lie before the last grid point.
    pub(crate) fn mean_rpm(&self, now: i64) -> f64 {
        let seconds = now.saturating_sub(self.at).clamp(0, GRID) as f64 * 1e-9;
        (self.mean + self.rate * seconds).max(0.0)
    }

    /// Everything measurable at `now`, as it really is.
    pub(crate) fn readings(&self, now: i64) -> Readings {
        let p = &self.parameters;
        Readings {
            rpm: (self.mean_rpm(now) + self.cyclic).max(0.0),
            throttle_volts: self.throttle.volts(p, self.plate.opened),
            coolant: self.coolant.engine,
            battery: self.battery.volts,
            intake: intake(p, self.coolant.engine),
            manifold_kpa: self.pressure * 1e-3,
            air_g_per_s: self.metered * 1e3,
            plate_angle: self.plate.opened,
            short_trim: self.fuel.short,
            long_trim: self.fuel.long,
            spark: if self.is_running() { self.control.spark } else { 0.0 },
            fan_on: self.coolant.fan,
        }
    }

    /// What stands between the truth and the sensors at this moment, besides their noise.
    pub(crate) fn disturbance(&self) -> Disturbance {
        Disturbance { throttle_dropout: self.throttle.dropout, coolant_low: self.pocket.low }
    }

    /// The idle speed the controller aims at.
    pub(crate) fn target(&self) -> f64 {
        IdleControl::target(&self.parameters, self.coolant_seen())
    }

    pub(crate) fn true_mean(&self, what: Truthful, from: i64, to: i64) -> Option<f64> {
        self.history.as_ref()?.mean(what, from, to)
    }

    /// The coolant as the controller sees it, without noise.
    fn coolant_seen(&self) -> f64 {
        self.coolant.engine + self.parameters.coolant_error - self.pocket.low
    }

    fn cold_steps(&self) -> f64 {
        IdleControl::cold_steps(self.steps_at_20, self.coolant_seen())
    }

    /// Effective areas in m2: of everything behind the meter's intake, and of the leak.
    fn areas(&self) -> (f64, f64) {
        let p = &self.parameters;
        let pinched = |hose: Hose| self.pinched[hose as usize];
        let metered = p.base_area
            + p.step_area * self.valve.actual
            + p.turn_area * self.screw
            + plate_area(p, self.plate.opened)
            + cold_air::area(p, self.coolant.engine, pinched(Hose::ColdStartAir));
        let leak = p.leak_rpm * p.rpm_area * if pinched(Hose::Vacuum) { PINCHED_LEAK } else { 1.0 };
        (metered, leak)
    }

    // The passing of time.

    fn step(&mut self) {
        self.control_idle();
        let p = &self.parameters;
        self.plate.step(p, cold_air::plate(p, self.coolant.engine), GRID_SECONDS);
        self.throttle.step(self.plate.opened, self.plate.speed);

        let (metered, leak) = self.areas();
        let kelvin = KELVIN + intake(p, self.coolant.engine);
        let inflow = (metered + leak) * per_area(kelvin);
        let breathing = Breathing::new(inflow, p.displacement, p.manifold_volume, kelvin, self.mean);
        let moved = fill(self.pressure, &breathing, GRID_SECONDS);
        self.pressure = moved.pressure;
        let unmetered = leak / (metered + leak);
        self.metered = inflow * flow_factor(self.pressure / ATMOSPHERE) * (1.0 - unmetered);

        let running = self.is_running();
        let meets = Meets {
            running,
            coolant: self.coolant_seen(),
            unmetered,
            wide: self.plate.opened > WIDE_DEGREES,
        };
        self.fuel.step(p, &meets, &mut self.streams.fuel, GRID_SECONDS);
        // The air in a charge for each radian of the crank does not depend on the speed.
        let per_radian = p.displacement / (2.0 * TAU * air::GAS_CONSTANT * kelvin);
        self.charges.take(per_radian * swallowed(self.pressure));
        self.turn_crank();

        let p = &self.parameters;
        self.coolant.step(p, moved.went / GRID_SECONDS, running, GRID_SECONDS);
        self.coolant.switch_fan(p, self.powered);
        self.pocket.step(p, running, &mut self.streams.pocket, GRID_SECONDS);
        let supply = match self.phase {
            Phase::Cranking { .. } => Supply::Starting,
            Phase::Running if self.mean > CAUGHT_RPM => Supply::Charging,
            _ => Supply::Resting,
        };
        self.battery.step(p, supply, &self.loads, self.coolant.fan, self.mean);
        self.at += GRID;
        self.change_phase();
        let (now, mean) = (self.readings(self.at), self.mean);
        self.frame.pass(self.at, &now);
        if let Some(history) = &mut self.history {
            history.take(&now, mean);
        }
        #[cfg(test)]
        {
            self.ledger.air_came += moved.came;
            self.ledger.air_went += moved.went;
        }
    }

    /// The controller's idle control and the valve's motor, while they have power.
    fn control_idle(&mut self) {
        if !self.powered || self.browned_out {
            return;
        }
        let p = &self.parameters;
        let volts = self.throttle.volts(p, self.plate.opened) - self.throttle.dropout;
        let seen = Seen {
            rpm: self.mean + self.cyclic + if self.is_running() { p.rpm_error } else { 0.0 },
            coolant: self.coolant_seen(),
            throttle: volts + p.throttle_noise * self.streams.throttle.normal(),
            running: self.is_running(),
            cold_steps: self.cold_steps(),
        };
        let wanted = self.control.step(p, &seen, GRID_SECONDS);
        self.valve.step(p, wanted, GRID_SECONDS);
    }

    /// Nothing but the temperatures changes any more: key off, everything still.
    fn is_at_rest(&self) -> bool {
        !self.powered
            && self.mean == 0.0
            && self.rate == 0.0
            && self.plate.speed == 0.0
            && (self.pressure - ATMOSPHERE).abs() < 1.0
            && self.battery.is_at_rest(&self.parameters)
    }

    /// Passes the time of a cold soak in one step.
    fn rest(&mut self, until: i64) {
        let steps = until.saturating_sub(self.at) / GRID;
        let from = self.at;
        self.at += steps * GRID;
        self.coolant.rest(&self.parameters, from, self.at);
        let now = self.readings(self.at);
        self.frame.pass(self.at, &now);
    }

    /// Ends a cold soak; a history begins anew after it.
    fn wake(&mut self) {
        if self.coolant.wake()
            && let Some(history) = &mut self.history
        {
            history.begin(self.at);
        }
    }
}

#[cfg(test)]
mod tests;
