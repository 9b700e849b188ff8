//! Battery, alternator and everything that takes power from the engine.

use super::decay;
use crate::parameters::Parameters;

/// Power at the crank for ignition, injection and pump, in W. Estimate: 150 W through an alternator of 0.6.
pub(crate) const IGNITION_POWER: f64 = 250.0;
/// Efficiency of the alternator with its belt. Estimate.
const ALTERNATOR: f64 = 0.6;
/// The radiator fan, in W electric. Estimate.
const FAN: f64 = 65.0;
/// Battery voltage follows charging and rest with this time constant, in s. Estimate.
const BATTERY_TIME: f64 = 0.8;
/// And the starter with this one, in s. Estimate.
const STARTER_TIME: f64 = 0.015;
/// Charging voltage lost with everything switched on, in V. Estimate.
const LOAD_VOLTS: f64 = 0.5;
/// Below this voltage the controller restarts, in V. Estimate.
pub(crate) const BROWN_OUT: f64 = 7.0;
/// Above this one it comes back, in V. Estimate.
pub(crate) const RECOVERED: f64 = 7.5;

/// Something the driver can switch on.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Load {
    /// The heater's blower.
    Blower,
    /// Air conditioning: compressor and its clutch.
    AirConditioning,
    /// Headlamps.
    Headlamps,
    /// The steering turned to its stop against its pump.
    Steering,
}

impl Load {
    /// Every load.
    pub const ALL: [Self; 4] = [Self::Blower, Self::AirConditioning, Self::Headlamps, Self::Steering];

    /// Electric power and power taken by belt, in W. Estimates.
    fn power(self) -> (f64, f64) {
        match self {
            Self::Blower => (75.0, 0.0),
            Self::AirConditioning => (35.0, 130.0),
            Self::Headlamps => (105.0, 0.0),
            Self::Steering => (0.0, 60.0),
        }
    }
}

/// What is switched on.
#[derive(Debug, Clone, Copy, Default)]
pub(crate) struct Loads {
    on: [bool; 4],
    /// Everything together, 0 to 1.
    pub(crate) together: f64,
}

impl Loads {
    pub(crate) fn switch(&mut self, load: Load, on: bool) {
        self.on[load as usize] = on;
    }

    /// Electric power and power taken by belt, in W.
    fn power(&self, fan: bool) -> (f64, f64) {
        let start = (if fan { FAN } else { 0.0 }, 0.0);
        Load::ALL.iter().zip(self.on).fold(start, |(electric, belt), (load, on)| {
            let share = if on { 1.0 } else { self.together };
            (electric + share * load.power().0, belt + share * load.power().1)
        })
    }

    /// Power at the crank, in W, with what the engine itself needs.
    pub(crate) fn at_crank(&self, fan: bool) -> f64 {
        let (electric, belt) = self.power(fan);
        IGNITION_POWER + electric / ALTERNATOR + belt
    }

    /// Share of all electric power, about 0 to 1.
    fn electric_share(&self, fan: bool) -> f64 {
        let whole: f64 = FAN + Load::ALL.iter().map(|load| load.power().0).sum::<f64>();
        self.power(fan).0 / whole
    }
}

/// What the battery feeds.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Supply {
    Resting,
    Starting,
    Charging,
}

#[derive(Debug)]
pub(crate) struct Battery {
    pub(crate) volts: f64,
    left: f64,
    starting_left: f64,
}

impl Battery {
    pub(crate) fn new(volts: f64, grid_seconds: f64) -> Self {
        let (left, starting_left) = (decay(grid_seconds, BATTERY_TIME), decay(grid_seconds, STARTER_TIME));
        Self { volts, left, starting_left }
    }

    pub(crate) fn step(&mut self, p: &Parameters, supply: Supply, loads: &Loads, fan: bool, rpm: f64) {
        let share = LOAD_VOLTS * loads.electric_share(fan);
        let (goal, left) = match supply {
            Supply::Resting => (p.resting, self.left),
            Supply::Charging => (p.charging - share, self.left),
            // A standing starter takes most; its own voltage relieves the battery as it turns.
            Supply::Starting => {
                (p.cranking - p.inrush * (1.0 - rpm / 120.0).clamp(0.0, 1.0), self.starting_left)
            }
        };
        self.volts = goal + (self.volts - goal) * left;
    }

    pub(crate) fn is_at_rest(&self, p: &Parameters) -> bool {
        (self.volts - p.resting).abs() < 1e-3
    }
}
