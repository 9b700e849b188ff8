//! The cold-start air valve: wax that shuts it as the coolant warms.

use crate::parameters::Parameters;

/// Shut from here on, in degrees Celsius, and fully open so far below. Estimates.
const SHUT: f64 = 65.0;
const WIDTH: f64 = 60.0;
/// What a pinched hose still lets through. Estimate.
const PINCHED: f64 = 0.03;

/// How far the wax is open at this coolant temperature, 0 to 1.
pub(crate) fn opening(coolant: f64) -> f64 {
    ((SHUT - coolant) / WIDTH).clamp(0.0, 1.0)
}

/// Effective area in m2.
pub(crate) fn area(p: &Parameters, coolant: f64, pinched: bool) -> f64 {
    // Where the wax also holds the plate open, the valve itself is smaller.
    let whole = if p.cold_plate > 0.0 { 0.6 * p.cold_air_rpm } else { p.cold_air_rpm };
    let open = (whole * opening(coolant)).max(p.stuck_air_rpm) * p.rpm_area;
    if pinched { PINCHED * open } else { open }
}

/// How far the wax holds the plate open, in degrees.
pub(crate) fn plate(p: &Parameters, coolant: f64) -> f64 {
    p.cold_plate * opening(coolant)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn it_is_open_cold_and_shut_warm() {
        assert_eq!(opening(80.0), 0.0);
        assert_eq!(opening(0.0), 1.0);
        assert!((opening(20.0) - 0.75).abs() < 1e-12);
    }
}
