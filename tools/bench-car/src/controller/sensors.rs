//! What stands between the truth and the converter: noise, calibration errors, faults of the sensors.

use crate::parameters::Parameters;
use crate::random::Draws;
use crate::truth::Readings;

/// Faults of sensors that come and go.
#[derive(Debug, Clone, Copy, Default)]
pub(crate) struct Disturbance {
    /// What the throttle sensor's voltage lacks for want of contact, in V.
    pub(crate) throttle_dropout: f64,
    /// How far the coolant sensor reads low, in K.
    pub(crate) coolant_low: f64,
}

/// The values behind the sensors: what the converter sees. The throttle sensor has no calibration error of
/// its own, as it is fed by the converter's reference: its truth is what the converter sees.
pub(crate) fn through_sensors(
    truth: &Readings,
    p: &Parameters,
    disturbance: Disturbance,
    draws: &mut Draws,
) -> Readings {
    // A standing crank gives no pulses to measure.
    let turns = f64::from(u8::from(truth.rpm > 0.0));
    let rpm = p.rpm_error + p.rpm_noise * draws.normal();
    Readings {
        rpm: (truth.rpm + turns * rpm).max(0.0),
        throttle_volts: truth.throttle_volts + p.throttle_noise * draws.normal()
            - disturbance.throttle_dropout,
        coolant: truth.coolant + p.coolant_error + p.coolant_noise * draws.normal() - disturbance.coolant_low,
        battery: truth.battery + p.battery_error + p.battery_noise * draws.normal(),
        manifold_kpa: truth.manifold_kpa + p.pressure_error,
        ..*truth
    }
}
