//! What a world is made with.

use line::{BAUD_RANGE, Noise};
use thiserror::Error;

use crate::fault::{Fault, FaultKind};
use crate::parameters::SCREW_TRAVEL;

/// The state in which the engine is found.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Start {
    /// Idling, its coolant some degrees short of warm: it passes [`WorldConfig::warm_at`] after several to
    /// some tens of seconds, which one depends on the seed.
    #[default]
    Warm,
    /// Idling, fully warm.
    Hot,
    /// Idling, just started at the surrounding temperature.
    Cold,
    /// Key on, the engine standing at the surrounding temperature.
    Standing,
    /// Key on, the engine standing, its coolant as with [`Start::Warm`].
    StandingWarm,
}

/// What a specimen of controller does and has beside the common part.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Manners {
    /// While the valve is held, reading data (services 01, 21 and 22) is refused.
    pub refuses_reading_while_held: bool,
    /// It offers its fuel trims (J1979 identifiers 06 and 07).
    pub has_trims: bool,
    /// It has a closed-throttle switch, shown in the status byte.
    pub closed_switch: bool,
    /// The long block tells the idle valve's position; else that byte is FF.
    pub reports_valve: bool,
}

impl Default for Manners {
    fn default() -> Self {
        Self { refuses_reading_while_held: false, has_trims: true, closed_switch: false, reports_valve: true }
    }
}

/// How a converter turns a voltage between two counts into one of them.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Rounding {
    /// To the nearest count.
    #[default]
    Nearest,
    /// To the count below.
    Down,
}

/// How the engine measures its air.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum AirMeasurement {
    /// By the pressure in the manifold (J1979 identifier 0B).
    #[default]
    Pressure,
    /// By the mass flowing in (J1979 identifier 10).
    Mass,
}

/// What the controller speaks.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Speech {
    /// Messages of ISO 14230.
    #[default]
    Iso14230,
    /// Single bytes without frames. It needs no wake-up, and knows no sessions and no trouble codes.
    SingleByte,
}

/// What a world is made with. All of it has defaults: a warm car without faults on a clean line.
#[derive(Debug, Clone, PartialEq)]
pub struct WorldConfig {
    /// Seeds every draw: the specimen of car, its noise, the controller's delays, the line's noise.
    pub seed: u64,
    /// The moment at which the world begins, in nanoseconds on the caller's clock; within 70 years of zero.
    pub begin: i64,
    /// Faults of the car.
    pub faults: Vec<Fault>,
    /// The state in which the engine is found.
    pub start: Start,
    /// The coolant temperature that counts as warm, in degrees Celsius (see [`Start::Warm`]).
    pub warm_at: f64,
    /// How the engine measures its air.
    pub air: AirMeasurement,
    /// Turns by which the bypass screw stands off its right place, outwards positive; `None` draws it.
    pub screw_off_by: Option<f64>,
    /// Where the bypass screw stands, in turns out from seated; goes before `screw_off_by`.
    pub screw_at: Option<f64>,
    /// The screw stands so far out that the engine idles at 1200 to 1600 r/min with the idle valve shut; goes
    /// before the two above.
    pub idle_high: bool,
    /// Volts the throttle sensor gives at the plate's right closed place, 0 to 5; `None` draws it.
    pub throttle_volts: Option<f64>,
    /// Degrees by which the throttle sensor's body is turned from its right place; goes before
    /// `throttle_volts`. What a degree does differs from car to car, in sign too.
    pub sensor_off_by: Option<f64>,
    /// What the controller does and has beside the common part.
    pub manners: Manners,
    /// What the controller speaks.
    pub speech: Speech,
    /// The controller answers as fast as its timing allows: after P2min, without gaps between the bytes of an answer
    /// and without draws. The hardest case for whoever asks, because nothing hides the asker's own delays.
    pub prompt: bool,
    /// Keeps what [`crate::World::true_mean`] needs, about 2.5 kB for each simulated second.
    pub keep_truth: bool,
    /// Factor on every noise of engine and sensors: 1 as drawn, 0 for none.
    pub noise_scale: f64,
    /// The converter's rounding of all 8-bit values.
    pub rounding: Rounding,
    /// Trouble codes left over from earlier, which stay away once cleared.
    pub stored_codes: Vec<[u8; 2]>,
    /// Whether the adapter hears its own characters.
    pub echo: bool,
    /// Faults of single characters on the line.
    pub line_noise: Noise,
    /// The fastest rate of the adapter's divider (see [`line::LineConfig::adapter_clock`]).
    pub adapter_clock: Option<u32>,
    /// The controller's rate and the adapter's first one, in bits a second.
    pub baud: u32,
    /// The line passes no break (as behind a pseudo-terminal): the controller needs no wake-up pulse, only
    /// the StartCommunication request.
    pub awake: bool,
    /// Characters come without their true times (as through a pseudo-terminal, where a busy computer hands them on
    /// late and then together): the controller does not mind gaps shorter than P4min between them.
    pub untimed: bool,
    /// The controller's address on the line.
    pub address: u8,
    /// The key bytes it answers StartCommunication with. They decide which header forms it takes and
    /// whether its default timing is the normal or the extended set (ISO 14230-2).
    pub key_bytes: [u8; 2],
    /// Whether [`crate::World::log`] is kept; long runs may do without.
    pub keep_log: bool,
}

impl Default for WorldConfig {
    fn default() -> Self {
        Self {
            seed: 1,
            begin: 0,
            faults: Vec::new(),
            start: Start::Warm,
            warm_at: 80.0,
            air: AirMeasurement::Pressure,
            screw_off_by: None,
            screw_at: None,
            idle_high: false,
            throttle_volts: None,
            sensor_off_by: None,
            manners: Manners::default(),
            speech: Speech::Iso14230,
            prompt: false,
            keep_truth: false,
            noise_scale: 1.0,
            rounding: Rounding::Nearest,
            stored_codes: Vec::new(),
            echo: true,
            line_noise: Noise::default(),
            adapter_clock: None,
            baud: 10_400,
            awake: false,
            untimed: false,
            address: 0x2A,
            key_bytes: [0xEF, 0x8F],
            keep_log: true,
        }
    }
}

/// Why a world could not be made.
#[derive(Debug, Clone, PartialEq, Error)]
pub enum WorldError {
    /// No fault has this name.
    #[error("the bench car has no fault named \"{name}\"; it knows {}", known_faults())]
    UnknownFault {
        /// The name asked for.
        name: String,
    },
    /// The severity is out of range.
    #[error("fault \"{name}\" was given severity {severity}; it goes from 0 to 1")]
    Severity {
        /// The fault.
        name: String,
        /// The severity asked for.
        severity: f64,
    },
    /// A figure is out of its range.
    #[error("{what} was given as {seen}; it goes from {low} to {high}")]
    OutOfRange {
        /// Which figure.
        what: &'static str,
        /// The figure asked for.
        seen: f64,
        /// Its lower end.
        low: f64,
        /// Its upper end.
        high: f64,
    },
}

fn known_faults() -> String {
    FaultKind::NAMES.map(|(name, _)| name).join(", ")
}

impl WorldConfig {
    pub(crate) fn check(&self) -> Result<(), WorldError> {
        let within = |what, seen: f64, low: f64, high: f64| {
            let fits = (low..=high).contains(&seen);
            if fits { Ok(()) } else { Err(WorldError::OutOfRange { what, seen, low, high }) }
        };
        within("the warm coolant temperature", self.warm_at, 40.0, 85.0)?;
        within("the screw's offset in turns", self.screw_off_by.unwrap_or(0.0), -8.0, 8.0)?;
        within("the screw's place in turns", self.screw_at.unwrap_or(0.0), 0.0, SCREW_TRAVEL)?;
        within("the throttle sensor's turn in degrees", self.sensor_off_by.unwrap_or(0.0), -12.0, 12.0)?;
        within("the throttle sensor's voltage", self.throttle_volts.unwrap_or(0.5), 0.0, 5.0)?;
        within("the noise factor", self.noise_scale, 0.0, 100.0)?;
        within("the baud rate", f64::from(self.baud), f64::from(BAUD_RANGE.0), f64::from(BAUD_RANGE.1))?;
        let far = (i64::MAX / 4) as f64;
        within("the beginning", self.begin as f64, -far, far)?;
        let noise = &self.line_noise;
        let chances = [noise.lost, noise.doubled, noise.corrupted].into_iter();
        let bursts = noise.bursts.iter().flat_map(|b| [b.lost, b.doubled, b.corrupted]);
        chances.chain(bursts).try_for_each(|chance| within("a chance of line noise", chance, 0.0, 1.0))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::World;

    #[test]
    fn an_unknown_fault_lists_the_known_ones() {
        let config = WorldConfig { faults: vec![Fault::new("flat-tyre", 1.0)], ..WorldConfig::default() };
        let words = World::new(config).expect_err("no such fault").to_string();
        for (name, _) in FaultKind::NAMES {
            assert!(words.contains(name), "{words}");
        }
        assert!(words.contains("flat-tyre"));
    }

    #[test]
    fn figures_out_of_range_are_refused() {
        let severe = WorldConfig { faults: vec![Fault::new("weak-battery", 1.5)], ..WorldConfig::default() };
        assert!(matches!(World::new(severe), Err(WorldError::Severity { .. })));
        let noisy = WorldConfig { noise_scale: f64::NAN, ..WorldConfig::default() };
        assert!(matches!(World::new(noisy), Err(WorldError::OutOfRange { .. })));
    }
}
