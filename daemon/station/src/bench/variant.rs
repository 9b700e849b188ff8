//! The kinds of bench car, each with the description that fits it.

use bench_car::{AirMeasurement, Manners, Speech, WorldConfig};

use crate::load::{BENCH_CAR, BENCH_CAR_MASS, BENCH_CAR_SINGLE};

/// A kind of bench car.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Variant {
    /// Measures its air by the pressure in the manifold, and answers readings while its valve is held.
    #[default]
    Pressure,
    /// Measures the mass of its air before the throttle, has a closed-throttle switch, keeps no fuel trims, does not
    /// tell where its idle valve stands, and refuses readings while the valve is held.
    Mass,
    /// As [`Variant::Pressure`], but its controller exchanges single bytes at 12 500 Bd and keeps no trouble codes.
    Single,
}

impl Variant {
    /// All of them by name.
    pub const NAMES: [(&'static str, Self); 3] =
        [("pressure", Self::Pressure), ("mass", Self::Mass), ("single", Self::Single)];

    /// The variant of this name.
    pub fn named(name: &str) -> Option<Self> {
        Self::NAMES.iter().find(|(known, _)| *known == name).map(|(_, variant)| *variant)
    }

    /// What sets it apart, in a few words.
    pub fn words(self) -> &'static str {
        match self {
            Self::Pressure => "manifold pressure",
            Self::Mass => "mass air flow, fewer readings",
            Self::Single => "its controller exchanges single bytes",
        }
    }

    /// Its description: file name and text.
    pub fn description(self) -> (&'static str, &'static str) {
        match self {
            Self::Pressure => BENCH_CAR,
            Self::Mass => BENCH_CAR_MASS,
            Self::Single => BENCH_CAR_SINGLE,
        }
    }

    /// Makes a world one of this kind.
    pub fn configure(self, config: &mut WorldConfig) {
        match self {
            Self::Pressure => {}
            Self::Single => {
                config.speech = Speech::SingleByte;
                config.baud = 12_500;
            }
            Self::Mass => {
                config.air = AirMeasurement::Mass;
                config.manners = Manners {
                    refuses_reading_while_held: true,
                    has_trims: false,
                    closed_switch: true,
                    reports_valve: false,
                };
            }
        }
    }
}
