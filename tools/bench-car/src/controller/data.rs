//! The converter: values into counts.

use crate::config::Rounding;

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
