//! Sampling and the converter: true values into counts.

use crate::config::Rounding;
use crate::parameters::Parameters;
use crate::random::Draws;
use crate::truth::Readings;

/// A worn throttle track loses contact for a sample: this much lower, in V. Estimate.
const SPIKE_VOLTS: f64 = 0.25;

/// The values behind the sensors' noise: what the converter sees.
pub(crate) fn through_sensors(truth: &Readings, p: &Parameters, draws: &mut Draws) -> Readings {
    let spike = if p.spike_chance > 0.0 && draws.unit() < p.spike_chance { SPIKE_VOLTS } else { 0.0 };
    // A standing crank gives no pulses to measure.
    let rpm_noise = if truth.rpm > 0.0 { p.rpm_noise } else { 0.0 };
    Readings {
        rpm: (truth.rpm + rpm_noise * draws.normal()).max(0.0),
        throttle_volts: truth.throttle_volts + p.throttle_noise * draws.normal() - spike,
        coolant: truth.coolant + p.coolant_noise * draws.normal(),
        battery: truth.battery + p.battery_noise * draws.normal(),
        ..*truth
    }
}

/// A linear scale of an 8-bit converter: value = count * factor + offset.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Scale {
    pub(crate) factor: f64,
    pub(crate) offset: f64,
}

/// Throttle sensor: 5 V across 255 counts.
pub(crate) const THROTTLE: Scale = Scale { factor: 5.0 / 255.0, offset: 0.0 };
/// Coolant: 0.8 degrees Celsius a count from -40.
pub(crate) const COOLANT: Scale = Scale { factor: 0.8, offset: -40.0 };
/// Battery: 20 V across 255 counts.
pub(crate) const BATTERY: Scale = Scale { factor: 20.0 / 255.0, offset: 0.0 };

impl Scale {
    /// The count of a value; beyond the ends it stays at the last one.
    pub(crate) fn count(&self, value: f64, rounding: Rounding) -> u8 {
        let exact = (value - self.offset) / self.factor;
        // Conversion saturates at both ends.
        match rounding {
            Rounding::Nearest => exact.round() as u8,
            Rounding::Down => exact.floor() as u8,
        }
    }
}

/// Engine speed in 0.5 r/min a count: timed by a counter, not converted, so always nearest.
pub(crate) fn rpm_counts(rpm: f64) -> [u8; 2] {
    ((rpm * 2.0).round() as u16).to_be_bytes()
}
