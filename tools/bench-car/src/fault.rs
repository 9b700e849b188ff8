//! Faults of the car (not of its controller's manners: those are [`crate::ControllerFault`]).

use crate::config::WorldError;

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
    /// The idle valve stays where it is until its motor is far enough ahead, then jumps.
    StickingIdleValve,
    /// The throttle sensor's track is worn: its voltage is noisy and at times spikes.
    NoisySensor,
    /// The battery is old: low at rest, low and restless while charging, deep while cranking.
    WeakBattery,
    /// The thermostat stands open: the engine never gets fully warm.
    ThermostatOpen,
}

impl FaultKind {
    /// Every fault with its name.
    pub const NAMES: [(&'static str, Self); 4] = [
        ("sticking-idle-valve", Self::StickingIdleValve),
        ("noisy-sensor", Self::NoisySensor),
        ("weak-battery", Self::WeakBattery),
        ("thermostat-open", Self::ThermostatOpen),
    ];

    /// The fault of this name.
    pub fn named(name: &str) -> Option<Self> {
        Self::NAMES.iter().find(|(known, _)| *known == name).map(|(_, kind)| *kind)
    }

    /// The trouble code the controller stores for it (high byte, low byte); the numbers are the generic
    /// ones of SAE J2012, from memory.
    pub(crate) fn code(self) -> [u8; 2] {
        match self {
            Self::StickingIdleValve => [0x05, 0x05],
            Self::NoisySensor => [0x01, 0x20],
            Self::WeakBattery => [0x05, 0x62],
            Self::ThermostatOpen => [0x01, 0x28],
        }
    }
}

/// How bad each fault is; 0 where it is absent.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub(crate) struct Severities {
    pub(crate) sticking: f64,
    pub(crate) noisy: f64,
    pub(crate) battery: f64,
    pub(crate) thermostat: f64,
}

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
            let slot = all.slot(kind);
            *slot = slot.max(fault.severity);
        }
        Ok(all)
    }

    pub(crate) fn of(mut self, kind: FaultKind) -> f64 {
        *self.slot(kind)
    }

    fn slot(&mut self, kind: FaultKind) -> &mut f64 {
        match kind {
            FaultKind::StickingIdleValve => &mut self.sticking,
            FaultKind::NoisySensor => &mut self.noisy,
            FaultKind::WeakBattery => &mut self.battery,
            FaultKind::ThermostatOpen => &mut self.thermostat,
        }
    }
}
