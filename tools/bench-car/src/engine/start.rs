//! The state in which an engine is found.

use super::balance::{self, Condition};
use super::coolant::Coolant;
use super::electrics::IGNITION_POWER;
use super::fuel::Meets;
use super::idle_control::{IdleControl, UNLEARNED};
use super::*;
use crate::config::{Start, WorldConfig};
use crate::fault::Severities;
use crate::parameters::{BASIC_STEPS, MAX_STEPS, WARM_IDLE};
use crate::random::Purpose;

/// A radiator behind a shut thermostat is so much warmer than the surroundings, in K. Estimate.
const COLD_RADIATOR: f64 = 12.0;
/// The slowest idle an engine is found at, in r/min: below it would just have stalled.
const SLOWEST: f64 = 450.0;

impl Engine {
    /// An engine as configured: if it idles, its idle control and its trims have settled.
    pub(crate) fn new(config: &WorldConfig, faults: &Severities) -> Self {
        let p = Parameters::draw(config, faults);
        let draws = |purpose| Draws::new(config.seed, purpose);
        let mut streams = Streams {
            cyclic: draws(Purpose::Engine),
            throttle: draws(Purpose::Throttle),
            fuel: draws(Purpose::Fuel),
            pocket: draws(Purpose::Pocket),
            hands: draws(Purpose::Hands),
            starter: draws(Purpose::Starter),
        };
        let idles = matches!(config.start, Start::Warm | Start::Hot | Start::Cold);
        let warm = Coolant::before(&p, config.warm_at, p.warm_wait).max(p.surroundings).min(p.thermostat);
        let (coolant, radiator) = match config.start {
            Start::Warm | Start::StandingWarm => (warm, p.surroundings + COLD_RADIATOR),
            Start::Hot if p.thermostat_open => (p.thermostat, p.surroundings + COLD_RADIATOR),
            Start::Hot => (p.thermostat, p.radiator_start),
            Start::Cold | Start::Standing => (p.surroundings, p.surroundings),
        };
        let throttle = ThrottleSensor::new(&p, &mut streams.throttle);
        let plate = Plate::new(&p, cold_air::plate(&p, coolant), GRID_SECONDS, &mut streams.hands);
        let cyclic_left = decay(GRID_SECONDS, p.cyclic_time);
        let mut engine = Self {
            control: IdleControl::new(GRID_SECONDS, UNLEARNED),
            valve: IdleValve::new(BASIC_STEPS),
            screw: p.screw_start,
            loads: Loads::default(),
            frame: Frame::new(),
            plate,
            throttle,
            coolant: Coolant::new(&p, coolant, radiator, coolant, GRID_SECONDS),
            pocket: Pocket::default(),
            fuel: Fuel::new(GRID_SECONDS),
            battery: Battery::new(if idles { p.charging } else { p.resting }, GRID_SECONDS),
            charges: Charges::new(0.0),
            history: config.keep_truth.then(|| History::new(config.begin, GRID)),
            steps_at_20: 0.0,
            phase: if idles { Phase::Running } else { Phase::Stopped },
            caught: idles,
            limited: false,
            powered: true,
            browned_out: false,
            pinched: [false; 2],
            pressure: ATMOSPHERE,
            metered: 0.0,
            mean: 0.0,
            rate: 0.0,
            cyclic: 0.0,
            cyclic_left,
            cyclic_kick: (1.0 - cyclic_left * cyclic_left).sqrt() * p.cyclic,
            streams,
            at: config.begin,
            parameters: p,
            #[cfg(test)]
            ledger: Ledger::default(),
        };
        engine.learn();
        if idles {
            engine.idle();
        } else {
            let cold_steps = engine.cold_steps();
            engine.control.power_on(cold_steps);
            engine.valve.home(engine.control.opening());
        }
        let now = engine.readings(engine.at);
        engine.frame.earlier(&engine.parameters, &now, &mut draws(Purpose::Frame));
        engine
    }

    /// What earlier drives have taught: the warm idle's steps, the cold table, the trims.
    fn learn(&mut self) {
        let p = &self.parameters;
        let cold = Condition { coolant: 20.0, oil: 20.0, lambda: 0.9, power: IGNITION_POWER };
        let raised = balance::required_area(p, WARM_IDLE + p.cold_extra, &cold)
            - balance::required_area(p, WARM_IDLE, &Condition::hot(p));
        let helped = cold_air::area(p, 20.0, false) + plate_area(p, cold_air::plate(p, 20.0));
        self.steps_at_20 = ((raised - helped) / p.step_area).max(0.0);

        let here = self.coolant.engine;
        self.coolant.engine = p.thermostat.max(85.0);
        let opened = std::mem::replace(&mut self.plate.opened, self.parameters.stop_degrees);
        let hot = Condition::hot(&self.parameters);
        self.settle(WARM_IDLE, &hot);
        self.control = IdleControl::new(GRID_SECONDS, self.valve.actual);
        (self.coolant.engine, self.plate.opened) = (here, opened);
    }

    /// Sets trims and valve to where they come to rest at this speed, as far as they reach.
    fn settle(&mut self, rpm: f64, condition: &Condition) {
        // The trims depend on the share that leaks and the valve on the mixture: two rounds are enough.
        for _ in 0..2 {
            let (metered, leak) = self.areas();
            let meets = Meets {
                running: true,
                coolant: self.coolant.engine,
                unmetered: leak / (metered + leak),
                wide: false,
            };
            self.fuel.settle(&self.parameters, &meets);
            let p = &self.parameters;
            let condition = Condition { lambda: self.fuel.lambda, ..*condition };
            let lacking = balance::required_area(p, rpm, &condition) - metered - leak;
            let steps = self.valve.actual + lacking / p.step_area;
            self.valve.home(steps.clamp(0.0, f64::from(MAX_STEPS)));
        }
    }

    /// Idles, with everything settled.
    fn idle(&mut self) {
        let condition = Condition {
            coolant: self.coolant.engine,
            oil: self.coolant.oil,
            lambda: 1.0,
            power: IGNITION_POWER,
        };
        let target = self.target();
        self.settle(target, &condition);
        let volts = self.throttle.volts(&self.parameters, self.plate.opened);
        self.control.settle_at(self.valve.actual, target, volts);
        if !self.control.closed {
            self.valve.home(self.control.unrecognised(self.cold_steps()));
        }
        let condition = Condition { lambda: self.fuel.lambda, ..condition };
        let (metered, leak) = self.areas();
        let p = &self.parameters;
        self.mean = balance::carried(p, metered + leak, &condition).max(SLOWEST);
        self.pressure = balance::pressure_at(p, self.mean, &condition);
        self.control.settle_at(self.valve.actual, self.mean, volts);
        let kelvin = KELVIN + intake(p, self.coolant.engine);
        self.metered = metered * per_area(kelvin) * flow_factor(self.pressure / ATMOSPHERE);
        let per_radian = p.displacement / (2.0 * TAU * air::GAS_CONSTANT * kelvin);
        self.charges = Charges::new(per_radian * swallowed(self.pressure));
    }
}
