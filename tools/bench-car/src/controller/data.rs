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
/// One degree a count from -40 (identifiers 05 and 0F of SAE J1979).
pub(crate) const TEMPERATURE: Scale = Scale { factor: 1.0, offset: -40.0 };
/// One kPa a count (identifier 0B).
pub(crate) const PRESSURE: Scale = Scale { factor: 1.0, offset: 0.0 };
/// Half a degree a count from -64 (identifier 0E).
pub(crate) const SPARK: Scale = Scale { factor: 0.5, offset: -64.0 };
/// (A - 128) 100/128 per cent (identifiers 06 and 07).
pub(crate) const TRIM: Scale = Scale { factor: 100.0 / 128.0, offset: -100.0 };

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
