//! Coolant and oil: a heat balance of the engine's side and the radiator's with thermostat and fan.

use super::decay;
use super::torque::{HEATING_VALUE, STOICHIOMETRIC};
use crate::parameters::Parameters;

/// Share of the fuel's heat that goes into the coolant at idle (about three tenths: Heywood 1988, 12.3, from
/// memory).
const INTO_COOLANT: f64 = 0.28;
/// Where the coolant would settle with the thermostat shut, in degrees Celsius. Estimate.
const SHUT_SETTLE: f64 = 115.0;
/// The thermostat opens fully within so many kelvin. Textbook figure, from memory.
const OPENING: f64 = 8.0;
/// Heat the coolant carries to the radiator with the thermostat fully open, in W/K. Estimate: 0.1 kg/s.
const CARRIED: f64 = 400.0;
/// The radiator's heat capacity as a share of the engine side's. Estimate.
const RADIATOR_SHARE: f64 = 0.8;
/// What the fan adds to the heat a radiator sheds, in W/K for each W of idle heat. Estimate.
const FAN_SHED: f64 = 0.014;
/// The oil follows the coolant with this time constant, in s. Estimate.
const OIL_TIME: f64 = 100.0;

/// Heat into the coolant from burning this much air, in W.
pub(crate) fn heat(air: f64) -> f64 {
    INTO_COOLANT * HEATING_VALUE / STOICHIOMETRIC * air
}

/// Air at the inlet, in degrees Celsius: under the bonnet it takes up a fifth of the coolant's excess.
/// Estimate.
pub(crate) fn intake(p: &Parameters, coolant: f64) -> f64 {
    p.surroundings + 0.2 * (coolant - p.surroundings)
}

#[derive(Debug)]
pub(crate) struct Coolant {
    pub(crate) engine: f64,
    pub(crate) radiator: f64,
    pub(crate) oil: f64,
    pub(crate) fan: bool,
    /// Heat capacities, in J/K.
    engine_capacity: f64,
    radiator_capacity: f64,
    /// Heat shed for each kelvin: by the block, by the radiator without fan, by a thermostat that does not
    /// close, in W/K.
    block: f64,
    still: f64,
    open: f64,
    oil_left: f64,
    /// A cold soak: since when, and from where.
    soak: Option<Soak>,
    /// Heat taken in and given off since the beginning, in J.
    #[cfg(test)]
    pub(crate) ledger: (f64, f64),
}

#[derive(Debug, Clone, Copy)]
struct Soak {
    since: i64,
    engine: f64,
    radiator: f64,
    oil: f64,
}

impl Coolant {
    pub(crate) fn new(p: &Parameters, start: f64, radiator: f64, oil: f64, grid_seconds: f64) -> Self {
        let shed_to = |settle: f64| p.idle_heat / (settle - p.surroundings);
        let block = shed_to(SHUT_SETTLE);
        let engine_capacity = p.warm_up_time * block;
        Self {
            engine: start,
            radiator,
            oil,
            fan: false,
            engine_capacity,
            radiator_capacity: RADIATOR_SHARE * engine_capacity,
            block,
            still: shed_to(p.free_settle) - block,
            open: if p.thermostat_open { shed_to(p.thermostat) - block } else { 0.0 },
            oil_left: decay(grid_seconds, OIL_TIME),
            soak: None,
            #[cfg(test)]
            ledger: (0.0, 0.0),
        }
    }

    /// Where a coolant must start that passes `level` after `seconds`, with the thermostat shut.
    pub(crate) fn before(p: &Parameters, level: f64, seconds: f64) -> f64 {
        SHUT_SETTLE - (SHUT_SETTLE - level) * (seconds / p.warm_up_time).exp()
    }

    /// One grid step; `air` is what burns, in kg/s.
    pub(crate) fn step(&mut self, p: &Parameters, air: f64, running: bool, seconds: f64) {
        let around = p.surroundings;
        let gained = if running { heat(air) } else { 0.0 };
        // With the engine off nothing pumps and nothing blows: both sides cool slowly.
        let (block, through, shed) = if running {
            let lift = ((self.engine - p.thermostat) / OPENING).clamp(0.0, 1.0);
            let fan = if self.fan { FAN_SHED * p.idle_heat } else { 0.0 };
            (self.block + self.open, CARRIED * lift, self.still + fan)
        } else {
            let fan = if self.fan { FAN_SHED * p.idle_heat } else { 0.0 };
            (self.engine_capacity / p.cool_down_time, 0.0, self.radiator_capacity / p.cool_down_time + fan)
        };
        let carried = through * (self.engine - self.radiator);
        let lost = block * (self.engine - around);
        let given = shed * (self.radiator - around);
        self.engine += (gained - lost - carried) * seconds / self.engine_capacity;
        self.radiator += (carried - given) * seconds / self.radiator_capacity;
        self.oil = self.engine + (self.oil - self.engine) * self.oil_left;
        #[cfg(test)]
        {
            self.ledger.0 += gained * seconds;
            self.ledger.1 += (lost + given) * seconds;
        }
    }

    /// The fan's switch.
    pub(crate) fn switch_fan(&mut self, p: &Parameters, powered: bool) {
        self.fan = powered && (self.engine > if self.fan { p.fan_off } else { p.fan_on });
    }

    /// Passes a cold soak up to the moment `at` in one step, the same however the soak is divided.
    pub(crate) fn rest(&mut self, p: &Parameters, from: i64, at: i64) {
        let soak = *self.soak.get_or_insert(Soak {
            since: from,
            engine: self.engine,
            radiator: self.radiator,
            oil: self.oil,
        });
        let left = decay((at - soak.since) as f64 * 1e-9, p.cool_down_time);
        let cooled = |from: f64| p.surroundings + (from - p.surroundings) * left;
        (self.engine, self.radiator, self.oil) =
            (cooled(soak.engine), cooled(soak.radiator), cooled(soak.oil));
    }

    /// Ends a soak, if there was one.
    pub(crate) fn wake(&mut self) -> bool {
        self.soak.take().is_some()
    }

    /// Heat stored above the surroundings, in J.
    #[cfg(test)]
    pub(crate) fn stored(&self, p: &Parameters) -> f64 {
        self.engine_capacity * (self.engine - p.surroundings)
            + self.radiator_capacity * (self.radiator - p.surroundings)
    }

    /// How far it is below `edge`, as a share of `width` degrees, 0 to 1.
    pub(crate) fn share_below(temperature: f64, edge: f64, width: f64) -> f64 {
        ((edge - temperature) / width).clamp(0.0, 1.0)
    }
}
