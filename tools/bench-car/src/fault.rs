//! Faults of the car (not of its controller's manners: those are [`crate::ControllerFault`]).

use crate::config::{AirMeasurement, WorldError};

/// A fault as it is asked for, by name.
#[derive(Debug, Clone, PartialEq)]
pub struct Fault {
    /// One of [`FaultKind::NAMES`].
    pub name: String,
    /// 0 (barely there) to 1 (as bad as it gets).
    pub severity: f64,
}

impl Fault {
    /// A fault of this name and severity; both are checked when the world is made.
    pub fn new(name: impl Into<String>, severity: f64) -> Self {
        Self { name: name.into(), severity }
    }
}

/// The faults the bench car knows.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum FaultKind {
    /// Air leaks in behind the throttle and behind the air meter, at worst enough for 350 r/min.
    AirLeak,
    /// The idle valve stays where it is until its motor is far enough ahead, then jumps.
    StickingIdleValve,
    /// The throttle sensor's track is worn in the first third of its travel: while the plate moves there the
    /// voltage drops out.
    WornThrottleTrack,
    /// The battery is old: low at rest, low and restless while charging, deep while cranking. At its worst
    /// the controller restarts during the start, and a start may fail.
    WeakBattery,
    /// The thermostat stands open: the engine never gets fully warm.
    ThermostatOpen,
    /// The throttle stop is out of place: the plate rests up to 2.5 degrees too far open.
    ThrottleStop,
    /// The throttle cable is tight: after each release the plate stays open by up to 2 degrees.
    TightCable,
    /// The cold-start air valve stays open when warm, at worst enough for 400 r/min.
    StuckFastIdle,
    /// Electrical noise on the throttle sensor's circuit.
    NoisySensor,
    /// The fuel comes short by up to a quarter.
    Lean,
    /// A pocket of steam around the coolant sensor makes it read low by up to 30 K at times.
    CoolantAirPocket,
}

/// How many faults there are.
const COUNT: usize = 11;

impl FaultKind {
    /// Every fault with its name.
    pub const NAMES: [(&'static str, Self); COUNT] = [
        ("air-leak", Self::AirLeak),
        ("sticking-idle-valve", Self::StickingIdleValve),
        ("worn-throttle-track", Self::WornThrottleTrack),
        ("weak-battery", Self::WeakBattery),
        ("thermostat-open", Self::ThermostatOpen),
        ("throttle-stop", Self::ThrottleStop),
        ("tight-cable", Self::TightCable),
        ("stuck-fast-idle", Self::StuckFastIdle),
        ("noisy-sensor", Self::NoisySensor),
        ("lean", Self::Lean),
        ("coolant-air-pocket", Self::CoolantAirPocket),
    ];

    /// The fault of this name.
    pub fn named(name: &str) -> Option<Self> {
        Self::NAMES.iter().find(|(known, _)| *known == name).map(|(_, kind)| *kind)
    }

    /// The trouble code the controller stores for it (high byte, low byte); the numbers are the generic
    /// ones of SAE J2012, from memory. Several faults may end in one code.
    pub(crate) fn code(self, air: AirMeasurement) -> [u8; 2] {
        const TOO_FAST: [u8; 2] = [0x05, 0x07];
        const TOO_LEAN: [u8; 2] = [0x01, 0x71];
        match self {
            // Air behind its meter makes the mixture lean; behind a pressure sensor it only makes idle fast.
            Self::AirLeak if air == AirMeasurement::Mass => TOO_LEAN,
            Self::AirLeak | Self::ThrottleStop | Self::TightCable | Self::StuckFastIdle => TOO_FAST,
            Self::StickingIdleValve => [0x05, 0x05],
            Self::WornThrottleTrack => [0x01, 0x21],
            Self::WeakBattery => [0x05, 0x62],
            Self::ThermostatOpen => [0x01, 0x28],
            Self::NoisySensor => [0x01, 0x20],
            Self::Lean => TOO_LEAN,
            Self::CoolantAirPocket => [0x01, 0x19],
        }
    }
}

/// How bad each fault is; 0 where it is absent.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub(crate) struct Severities([f64; COUNT]);

impl Severities {
    /// Checks names and severities; a fault named twice counts with its worst severity.
    pub(crate) fn resolve(faults: &[Fault]) -> Result<Self, WorldError> {
        let mut all = Self::default();
        for fault in faults {
            let kind = FaultKind::named(&fault.name)
                .ok_or_else(|| WorldError::UnknownFault { name: fault.name.clone() })?;
            if !(0.0..=1.0).contains(&fault.severity) {
                return Err(WorldError::Severity { name: fault.name.clone(), severity: fault.severity });
            }
            let slot = &mut all.0[kind as usize];
            *slot = slot.max(fault.severity);
        }
        Ok(all)
    }

    pub(crate) fn of(&self, kind: FaultKind) -> f64 {
        self.0[kind as usize]
    }
}
