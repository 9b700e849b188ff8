//! The controller's idle control: it recognises the closed throttle and moves valve and ignition.

use super::coolant::Coolant;
use super::decay;
use super::idle_valve::whole_steps;
use crate::parameters::{BASIC_STEPS, IDLE_SPARK, MAX_STEPS, Parameters, WARM_IDLE};

/// The loop sees speed through a filter with this time constant, in s. Estimate.
const SPEED_FILTER: f64 = 0.4;
/// Ignition answers what is quicker than this, in s. Estimate.
const SPARK_WASHOUT: f64 = 1.5;
/// The controller's filter of the throttle sensor, in s. Estimate.
const THROTTLE_FILTER: f64 = 0.25;
/// A closed throttle is learned within this band, in V. Estimate.
const CLOSED_BAND: (f64, f64) = (0.33, 0.75);
/// And recognised up to so much above what was learned, in V. Estimate: three counts of 20 mV.
const CLOSED_WIDTH: f64 = 0.06;
/// Where the valve rests while no closed throttle is known, in steps. Estimate.
const DEFAULT_STEPS: f64 = 40.0;
/// The valve opens so much further as the throttle closes or the engine starts, in steps, and lets go with
/// this time constant, in s. Estimates.
const DASHPOT: f64 = 12.0;
const START_LIFT: f64 = 15.0;
const DASHPOT_TIME: f64 = 1.2;
/// After either the loop waits this long for the speed to come near, in s. Estimate.
const WAIT: f64 = 3.0;
/// Near is so many r/min above the target. Estimate.
const NEAR: f64 = 120.0;
/// What is learned follows with this time constant, in s, with a warm engine. Estimate.
const LEARNING_TIME: f64 = 40.0;
const LEARNS_FROM: f64 = 75.0;

/// What idle control sees during one step.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Seen {
    pub(crate) rpm: f64,
    pub(crate) coolant: f64,
    pub(crate) throttle: f64,
    pub(crate) running: bool,
    /// Steps that a cold engine takes beyond a warm one, by the controller's table.
    pub(crate) cold_steps: f64,
}

#[derive(Debug)]
pub(crate) struct IdleControl {
    /// The position the tester holds the valve at.
    pub(crate) held: Option<u8>,
    /// Ignition advance, in degrees before top dead centre.
    pub(crate) spark: f64,
    /// The throttle is recognised as closed.
    pub(crate) closed: bool,
    learned_closed: Option<f64>,
    throttle: Option<f64>,
    demand: f64,
    learned: f64,
    extra: f64,
    wait: f64,
    speed: f64,
    slow_error: f64,
    speed_left: f64,
    washout_left: f64,
    throttle_left: f64,
    dashpot_left: f64,
}

impl IdleControl {
    pub(crate) fn new(grid_seconds: f64, learned: f64) -> Self {
        Self {
            held: None,
            spark: IDLE_SPARK,
            closed: false,
            learned_closed: None,
            throttle: None,
            demand: learned,
            learned,
            extra: 0.0,
            wait: 0.0,
            speed: 0.0,
            slow_error: 0.0,
            speed_left: decay(grid_seconds, SPEED_FILTER),
            washout_left: decay(grid_seconds, SPARK_WASHOUT),
            throttle_left: decay(grid_seconds, THROTTLE_FILTER),
            dashpot_left: decay(grid_seconds, DASHPOT_TIME),
        }
    }

    /// Puts the loop where a long idle would have left it.
    pub(crate) fn settle_at(&mut self, steps: f64, rpm: f64, throttle: f64) {
        self.demand = steps.clamp(0.0, f64::from(MAX_STEPS));
        self.speed = rpm;
        self.throttle = Some(throttle);
        self.recognise(throttle, 1.0);
    }

    /// Key on: the closed throttle is learned anew.
    pub(crate) fn power_on(&mut self, cold_steps: f64) {
        (self.throttle, self.learned_closed, self.closed) = (None, None, false);
        self.spark = IDLE_SPARK;
        self.prepare(cold_steps);
    }

    /// Opens the valve to where a start will probably need it.
    pub(crate) fn prepare(&mut self, cold_steps: f64) {
        self.demand = (self.learned + cold_steps).clamp(0.0, f64::from(MAX_STEPS));
        (self.extra, self.wait) = (START_LIFT, WAIT);
        (self.speed, self.slow_error) = (0.0, 0.0);
    }

    /// Where the valve stands before a start, in steps.
    pub(crate) fn opening(&self) -> f64 {
        self.demand + self.extra
    }

    /// Where the valve rests while no closed throttle is known, in steps.
    pub(crate) fn unrecognised(&self, cold_steps: f64) -> f64 {
        if self.learned_closed.is_none() { DEFAULT_STEPS + cold_steps } else { self.demand }
    }

    /// Holds the valve at a position, or gives it back: then the loop goes on from where it was held.
    pub(crate) fn hold(&mut self, steps: Option<u8>) {
        if let (Some(held), None) = (self.held, steps) {
            self.demand = f64::from(held);
            self.extra = 0.0;
        }
        self.held = steps;
    }

    /// The speed aimed at, raised while the coolant seems to be below 70 degrees Celsius.
    pub(crate) fn target(p: &Parameters, coolant: f64) -> f64 {
        WARM_IDLE + p.cold_extra * Coolant::share_below(coolant, 70.0, 50.0)
    }

    /// The closed loop works, unless somebody holds the valve.
    pub(crate) fn is_active(&self, running: bool) -> bool {
        running && self.closed && self.held.is_none()
    }

    /// One grid step; returned is where the valve shall be.
    pub(crate) fn step(&mut self, p: &Parameters, seen: &Seen, seconds: f64) -> u8 {
        let was_closed = self.closed;
        self.recognise(seen.throttle, 1.0 - self.throttle_left);
        self.speed = seen.rpm + (self.speed - seen.rpm) * self.speed_left;
        let off = Self::target(p, seen.coolant) - self.speed;
        if self.closed && !was_closed && seen.running && off < -NEAR {
            (self.extra, self.wait) = (DASHPOT, WAIT);
        }
        self.extra *= if seen.running { self.dashpot_left } else { 1.0 };
        self.set_spark(p, off, seen.running);
        if let Some(held) = self.held {
            return held;
        }
        if !seen.running {
            return whole_steps(self.demand + self.extra);
        }
        if !self.closed {
            self.demand = self.unrecognised(seen.cold_steps);
            return whole_steps(self.demand);
        }
        let counted = off - off.clamp(-p.idle_band, p.idle_band);
        self.wait = if off > -NEAR { 0.0 } else { self.wait - seconds };
        if self.wait <= 0.0 {
            self.demand = (self.demand + p.idle_gain * counted * seconds).clamp(0.0, f64::from(MAX_STEPS));
            if seen.coolant > LEARNS_FROM {
                self.learned += (self.demand - self.learned) * seconds / LEARNING_TIME;
            }
        }
        whole_steps(self.demand + self.extra + p.idle_fast_gain * counted.clamp(-200.0, 200.0))
    }

    fn recognise(&mut self, volts: f64, share: f64) {
        let before = self.throttle.unwrap_or(volts);
        let filtered = before + (volts - before) * share;
        self.throttle = Some(filtered);
        if (CLOSED_BAND.0..=CLOSED_BAND.1).contains(&filtered) {
            self.learned_closed = Some(self.learned_closed.map_or(filtered, |low| low.min(filtered)));
        }
        self.closed =
            filtered >= CLOSED_BAND.0 && self.learned_closed.is_some_and(|low| filtered < low + CLOSED_WIDTH);
    }

    fn set_spark(&mut self, p: &Parameters, off: f64, running: bool) {
        self.slow_error = off + (self.slow_error - off) * self.washout_left;
        let fixed = self.held.is_some() && p.fixes_spark;
        self.spark = if !running || fixed {
            IDLE_SPARK
        } else if !self.closed {
            // Out of idle the timing follows the speed. Estimate.
            IDLE_SPARK + ((self.speed - 1_100.0) / 60.0).clamp(0.0, 15.0)
        } else if p.spark_control {
            IDLE_SPARK + (p.spark_gain * (off - self.slow_error)).clamp(-6.0, 6.0)
        } else {
            IDLE_SPARK
        };
    }

    /// Steps a cold engine takes beyond a warm one, as the controller's table has it: by coolant alone.
    pub(crate) fn cold_steps(steps_at_20: f64, coolant: f64) -> f64 {
        steps_at_20 * Coolant::share_below(coolant, 75.0, 55.0)
    }
}

/// Where the valve stands at key-on until something was learned.
pub(crate) const UNLEARNED: f64 = BASIC_STEPS as f64;
