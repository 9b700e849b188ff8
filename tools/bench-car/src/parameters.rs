//! The figures of one specimen of the bench car: invented, drawn per seed from plausible ranges.
//!
//! Each range names its source; "estimate" means that no published figure was found.

use crate::config::{AirMeasurement, Start, WorldConfig};
use crate::fault::Severities;
use crate::random::{Draws, Purpose};

/// Idle speed the controller aims at when warm, in r/min. A constant of its data, the same in every car.
pub const WARM_IDLE: f64 = 850.0;
/// The valve position for setting the bypass screw: held there, a warm engine with its screw right idles at
/// [`WARM_IDLE`]. In steps.
pub const BASIC_STEPS: u8 = 30;
/// The last step of the idle valve.
pub const MAX_STEPS: u8 = 120;
/// The screw's full way out from seated, in turns. Estimate.
pub const SCREW_TRAVEL: f64 = 10.0;
/// Below this speed the engine stalls, in r/min. Estimate.
pub const STALL_RPM: f64 = 350.0;
/// Speed at which the starter turns the engine, in r/min. Estimate.
pub const CRANK_RPM: f64 = 200.0;

/// Gas constant of dry air, J/(kg K), as used in idle models of engines (university engine-systems exercise).
const GAS_CONSTANT: f64 = 287.0;
/// Intake temperature of the same idle model, K.
const INTAKE_KELVIN: f64 = 293.15;

/// One specimen.
#[derive(Debug, Clone, PartialEq)]
pub struct Parameters {
    /// Time constant of engine speed at idle, in s. Estimate; the manifold alone fills with 0.17 s at
    /// 800 r/min (computed from Crossley and Cook 1991), the rest is the crank.
    pub rpm_time_constant: f64,
    /// Speed gained by one step of the idle valve, in r/min. Estimate.
    pub rpm_per_step: f64,
    /// Speed gained by one turn of the bypass screw outwards, in r/min. Estimate.
    pub rpm_per_turn: f64,
    /// Speed lost under full electrical and belt load, in r/min. Estimate; the published tolerance of an
    /// idle under such load is 140 r/min (Herman and Franchek 2000).
    pub load_drop: f64,
    /// Speed lost to cold oil at 20 degrees Celsius, in r/min. Estimate.
    pub cold_drag: f64,
    /// How far the target is raised at 20 degrees Celsius, in r/min. Estimate.
    pub cold_extra: f64,
    /// Standard deviation of cyclic variation, in r/min. Estimate.
    pub cyclic: f64,
    /// Correlation time of cyclic variation, in s. Estimate: one or two engine cycles.
    pub cyclic_time: f64,
    /// Gain of the closed idle loop, in steps a second for each r/min off. Estimate, slow on purpose.
    pub idle_gain: f64,
    /// Speed error the idle loop leaves alone, in r/min. Estimate.
    pub idle_band: f64,
    /// Speed of the idle valve's motor, in steps a second. Estimate.
    pub steps_per_second: f64,
    /// How far the motor runs ahead before a sticking valve follows, in steps.
    pub stick_band: f64,
    /// The screw's right place, in turns out from seated.
    pub screw_right: f64,
    /// Where the screw is found, in turns out from seated.
    pub screw_start: f64,
    /// Throttle sensor at closed throttle, in V (below 1 V, about 0.5 V typical: trade figure).
    pub throttle_volts: f64,
    /// Standard deviation of the throttle sensor, in V. Estimate.
    pub throttle_noise: f64,
    /// Chance that a throttle sample is a spike.
    pub spike_chance: f64,
    /// Standard deviation of the measured speed, in r/min. Estimate.
    pub rpm_noise: f64,
    /// Standard deviation of the coolant sensor, in degrees Celsius. Estimate.
    pub coolant_noise: f64,
    /// Standard deviation of the battery reading, in V. Estimate.
    pub battery_noise: f64,
    /// Where the coolant settles, in degrees Celsius (91 normal: textbook figure).
    pub thermostat: f64,
    /// Time constant of warming up, in s (100 to 300: engineering estimate).
    pub warm_up_time: f64,
    /// Time constant of cooling with the engine off, in s. Estimate.
    pub cool_down_time: f64,
    /// Amplitude of the fan's and thermostat's ripple, in degrees Celsius. Estimate.
    pub ripple: f64,
    /// Period of that ripple, in s. Estimate.
    pub ripple_period: f64,
    /// Temperature around the car, in degrees Celsius.
    pub surroundings: f64,
    /// Coolant temperature at the start, in degrees Celsius.
    pub coolant_start: f64,
    /// Battery while charging, in V (13.5 to 14.8: trade figure).
    pub charging: f64,
    /// Battery at rest, in V (12.6 when full: trade figure).
    pub resting: f64,
    /// Battery while cranking, in V. Estimate.
    pub cranking: f64,
    /// Time the starter needs, in s. Estimate.
    pub crank_time: f64,
    /// Swept volume, in m3.
    pub displacement: f64,
    /// Air flow that carries [`WARM_IDLE`], in kg/s.
    pub idle_air: f64,
    /// How the engine measures its air.
    pub air: AirMeasurement,
}

impl Parameters {
    pub(crate) fn draw(config: &WorldConfig, faults: &Severities) -> Self {
        let mut draws = Draws::new(config.seed, Purpose::Parameters);
        let noise = config.noise_scale;

        let rpm_per_turn = draws.between((90.0, 140.0));
        let screw_right = draws.between((2.5, 4.0));
        // Off by enough to be worth setting, either way, and never by more than the valve can make up for.
        let off_rpm = draws.between((70.0, 170.0)) * if draws.unit() < 0.5 { -1.0 } else { 1.0 };
        let screw_off = config.screw_off_by.unwrap_or(off_rpm / rpm_per_turn);

        let healthy_thermostat = draws.between((88.0, 92.0));
        let thermostat = healthy_thermostat - 35.0 * faults.thermostat;
        let warm_up_time = draws.between((120.0, 200.0));
        let surroundings = draws.between((12.0, 26.0));
        let wait = draws.between((6.0, 30.0));
        let coolant_start = match config.start {
            Start::Cold => surroundings,
            Start::Hot => thermostat,
            // Such that first-order warming passes `warm_at` after `wait`.
            Start::Warm => {
                let short_by = (healthy_thermostat - config.warm_at) * (wait / warm_up_time).exp();
                (healthy_thermostat - short_by).min(thermostat)
            }
        };

        let throttle_volts = draws.between((0.42, 0.60));
        let displacement = draws.between((1.4e-3, 2.0e-3));
        let idle_manifold = draws.between((0.30e5, 0.36e5));

        Self {
            rpm_time_constant: draws.between((0.5, 0.9)),
            rpm_per_step: draws.between((7.5, 10.5)),
            rpm_per_turn,
            load_drop: draws.between((60.0, 120.0)),
            cold_drag: draws.between((60.0, 100.0)),
            cold_extra: draws.between((250.0, 320.0)),
            cyclic: draws.between((4.0, 8.0)) * noise,
            cyclic_time: draws.between((0.08, 0.20)),
            idle_gain: draws.between((0.010, 0.018)),
            idle_band: draws.between((8.0, 12.0)),
            steps_per_second: draws.between((40.0, 80.0)),
            stick_band: 15.0 * faults.sticking,
            screw_right,
            screw_start: (screw_right + screw_off).clamp(0.0, SCREW_TRAVEL),
            throttle_volts: config.throttle_volts.unwrap_or(throttle_volts),
            throttle_noise: (draws.between((0.006, 0.010)) + 0.06 * faults.noisy) * noise,
            spike_chance: 0.03 * faults.noisy,
            rpm_noise: draws.between((0.8, 1.6)) * noise,
            coolant_noise: draws.between((0.15, 0.35)) * noise,
            battery_noise: (draws.between((0.02, 0.05)) + 0.12 * faults.battery) * noise,
            thermostat,
            warm_up_time,
            cool_down_time: draws.between((3_000.0, 5_000.0)),
            ripple: draws.between((0.1, 0.4)),
            ripple_period: draws.between((40.0, 90.0)),
            surroundings,
            coolant_start,
            charging: draws.between((13.8, 14.4)) - 1.9 * faults.battery,
            resting: draws.between((12.5, 12.7)) - 0.9 * faults.battery,
            cranking: draws.between((9.8, 10.8)) - 2.0 * faults.battery,
            crank_time: draws.between((0.7, 1.2)),
            displacement,
            idle_air: charge(displacement, idle_manifold) * WARM_IDLE,
            air: config.air,
        }
    }

    /// The pressure in the manifold, in Pa, at which the engine swallows `air` kg/s at `rpm`.
    pub(crate) fn manifold(&self, air: f64, rpm: f64) -> f64 {
        const ATMOSPHERE: f64 = 101_325.0;
        if rpm < CRANK_RPM / 2.0 {
            return ATMOSPHERE;
        }
        let per_rpm = air / rpm * 120.0 * GAS_CONSTANT * INTAKE_KELVIN / self.displacement;
        ((per_rpm + 0.075e5) / 0.952).min(ATMOSPHERE)
    }
}

/// Air swallowed for each r/min, in kg/s, at a manifold pressure in Pa. The volumetric efficiency is that of
/// Hendricks and Sorenson (SAE 900616, as quoted by Jiang et al. 2023): 0.952 - 0.075/p with p in bar.
fn charge(displacement: f64, pressure: f64) -> f64 {
    displacement / (120.0 * GAS_CONSTANT * INTAKE_KELVIN) * (0.952 * pressure - 0.075e5)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Air at idle against published examples: an idle model of 2.48 l and the steady states of Crossley and
    /// Cook give some g/s, and manifold pressures near idle lie well below the choked limit of 0.528.
    #[test]
    fn every_specimen_is_a_plausible_car() {
        for seed in 0..200 {
            let config = WorldConfig { seed, ..WorldConfig::default() };
            let p = Parameters::draw(&config, &Severities::default());
            assert!((1.5e-3..5.0e-3).contains(&p.idle_air), "{}", p.idle_air);
            let manifold = p.manifold(p.idle_air, WARM_IDLE) / 101_325.0;
            assert!((0.25..0.40).contains(&manifold), "{manifold}");
            assert!((13.5..=14.8).contains(&p.charging));
            assert!(p.throttle_volts < 1.0);
            let off = (p.screw_start - p.screw_right) * p.rpm_per_turn;
            assert!((69.9..170.1).contains(&off.abs()), "the screw is worth setting: {off}");
            // The idle loop must be able to hold the target with the screw as found, hot and cold.
            let hot = f64::from(BASIC_STEPS) - off / p.rpm_per_step;
            let cold = hot + (p.cold_extra + p.cold_drag) / p.rpm_per_step;
            assert!(hot > 2.0 && cold < f64::from(MAX_STEPS), "{hot} {cold}");
        }
    }

    #[test]
    fn a_warm_start_gets_warm_after_seconds_to_tens_of_seconds() {
        for seed in 0..200 {
            let config = WorldConfig { seed, ..WorldConfig::default() };
            let p = Parameters::draw(&config, &Severities::default());
            let left = (p.thermostat - config.warm_at) / (p.thermostat - p.coolant_start);
            let wait = -left.ln() * p.warm_up_time;
            assert!((5.9..30.1).contains(&wait), "{wait}");
        }
    }
}
