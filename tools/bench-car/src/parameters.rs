//! The figures of one specimen of the bench car: invented, drawn per seed from plausible ranges.
//!
//! Each range names its source; "estimate" means that no published figure was found. What must fit together
//! (the areas of the openings, the heat losses) is solved from the engine's own equations in
//! `engine/balance.rs`, so that the screw's right place really is one.

use crate::config::{AirMeasurement, WorldConfig};
use crate::engine::balance;
use crate::fault::{FaultKind, Severities};
use crate::random::{Draws, Purpose};

/// Idle speed the controller aims at when warm, in r/min. A constant of its data, the same in every car.
pub const WARM_IDLE: f64 = 850.0;
/// The valve position for setting the bypass screw: held there, a warm engine with its screw right idles at
/// [`WARM_IDLE`]. In steps.
pub const BASIC_STEPS: u8 = 30;
/// The last step of the idle valve.
pub const MAX_STEPS: u8 = 120;
/// The screw's full way out from seated, in turns. Estimate.
pub const SCREW_TRAVEL: f64 = 16.0;
/// Below this speed the engine stalls, in r/min. Estimate.
pub const STALL_RPM: f64 = 350.0;
/// Throttle sensor at closed throttle when it is set right, in V (about 0.5 V typical: trade figure).
pub const THROTTLE_RIGHT: f64 = 0.50;
/// Ignition advance at idle, in degrees before top dead centre. Estimate.
pub const IDLE_SPARK: f64 = 10.0;

/// One specimen.
#[derive(Debug, Clone, PartialEq)]
pub struct Parameters {
    /// Speed gained by one step of the idle valve near the warm idle, in r/min. Estimate.
    pub rpm_per_step: f64,
    /// Speed gained by one turn of the bypass screw outwards near the warm idle, in r/min. Estimate.
    pub rpm_per_turn: f64,
    /// The screw's right place, in turns out from seated.
    pub screw_right: f64,
    /// Where the screw is found, in turns out from seated.
    pub screw_start: f64,
    /// Swept volume, in m3.
    pub displacement: f64,
    /// Volume of the manifold behind the throttle, in m3. Estimate: one and a half swept volumes.
    pub manifold_volume: f64,
    /// Moment of inertia of crank and flywheel, in kg m2 (0.14 in a public engine timing example, from
    /// memory; 0.2 in the idle model of a university exercise).
    pub inertia: f64,
    /// Crank revolutions from induction to power (one to one and a half).
    pub delay_turns: f64,
    /// Effective area of the throttle's bore (area times discharge coefficient), in m2. Estimate.
    pub bore_area: f64,
    /// Angle of the closed plate to the bore's cross section, in degrees. Estimate.
    pub plate_closed: f64,
    /// Travel of the plate from closed to wide open, in degrees.
    pub plate_span: f64,
    /// Effective area that leaks past the closed plate and the closed idle valve, in m2. Solved.
    pub base_area: f64,
    /// Effective area of one step of the idle valve, in m2. Solved.
    pub step_area: f64,
    /// Effective area of one turn of the screw, in m2. Solved.
    pub turn_area: f64,
    /// Effective area that one r/min takes near the warm idle, in m2. Solved.
    pub rpm_area: f64,
    /// What the cold-start air valve lets in when fully open, as speed, in r/min. Estimate.
    pub cold_air_rpm: f64,
    /// How far the cold-start device also holds the plate open at its coldest, in degrees; 0 in most cars.
    pub cold_plate: f64,
    /// Air that leaks in behind the throttle, as speed, in r/min.
    pub leak_rpm: f64,
    /// Air that the cold-start air valve never shuts off, as speed, in r/min.
    pub stuck_air_rpm: f64,
    /// How far the throttle stop is out of place, in degrees of the plate.
    pub stop_degrees: f64,
    /// How far a tight cable holds the plate open at most, in degrees.
    pub cable_degrees: f64,
    /// Share of the fuel that does not arrive.
    pub fuel_short: f64,
    /// Standard deviation of the mixture's slow wander, as a share.
    pub fuel_wander: f64,
    /// Error of the controller's fuelling, as a share, which the long-term trim makes up for. Estimate.
    pub fuel_error: f64,
    /// How far the target is raised at 20 degrees Celsius, in r/min. Estimate.
    pub cold_extra: f64,
    /// Standard deviation of cyclic variation, in r/min. Estimate; up to four times as much when lean.
    pub cyclic: f64,
    /// Correlation time of cyclic variation, in s. Estimate: one or two engine cycles.
    pub cyclic_time: f64,
    /// Gain of the closed idle loop, in steps a second for each r/min off. Estimate, slow on purpose.
    pub idle_gain: f64,
    /// Steps for each r/min off that the loop adds at once. Estimate.
    pub idle_fast_gain: f64,
    /// Speed error the idle loop leaves alone, in r/min. Estimate.
    pub idle_band: f64,
    /// Ignition timing takes part in idle control.
    pub spark_control: bool,
    /// Degrees of ignition for each r/min of quick error, where it does. Estimate.
    pub spark_gain: f64,
    /// The ignition timing stands still while the valve is held.
    pub fixes_spark: bool,
    /// Speed of the idle valve's motor, in steps a second. Estimate.
    pub steps_per_second: f64,
    /// How far the motor runs ahead before a sticking valve follows, in steps.
    pub stick_band: f64,
    /// Throttle sensor, in V for each degree of plate or body.
    pub throttle_slope: f64,
    /// Which way round the body raises the voltage: 1 or -1.
    pub throttle_direction: f64,
    /// How far the throttle sensor's body is found from its right place, in degrees.
    pub sensor_rotated: f64,
    /// Standard deviation of the throttle sensor, in V. Estimate.
    pub throttle_noise: f64,
    /// How worn the throttle sensor's track is, 0 to 1.
    pub track_wear: f64,
    /// How far a pocket of steam makes the coolant sensor read low at most, in K.
    pub pocket_kelvin: f64,
    /// Standard deviation of the measured speed, in r/min. Estimate.
    pub rpm_noise: f64,
    /// Standard deviation of the coolant sensor, in degrees Celsius. Estimate.
    pub coolant_noise: f64,
    /// Standard deviation of the battery reading, in V. Estimate.
    pub battery_noise: f64,
    /// Calibration error of the measured speed, in r/min, the same for the whole run. Estimate.
    pub rpm_error: f64,
    /// Calibration error of the coolant sensor, in K. Estimate.
    pub coolant_error: f64,
    /// Calibration error of the battery reading, in V. Estimate.
    pub battery_error: f64,
    /// Calibration error of the manifold pressure sensor, in kPa. Estimate.
    pub pressure_error: f64,
    /// What the needle on the dash shows of the true speed, as a factor. Estimate.
    pub tachometer_scale: f64,
    /// Where the thermostat lets the coolant settle, in degrees Celsius (91 normal: textbook figure).
    pub thermostat: f64,
    /// The thermostat does not close.
    pub thermostat_open: bool,
    /// Time constant of warming up with the thermostat shut, in s (100 to 300: engineering estimate).
    pub warm_up_time: f64,
    /// Time constant of cooling with the engine off, in s. Estimate.
    pub cool_down_time: f64,
    /// Temperature around the car, in degrees Celsius.
    pub surroundings: f64,
    /// Heat that a hot idle gives to the coolant, in W. Solved.
    pub idle_heat: f64,
    /// Coolant temperature at which the radiator fan starts, in degrees Celsius. Estimate.
    pub fan_on: f64,
    /// Coolant temperature at which it stops, in degrees Celsius. Estimate.
    pub fan_off: f64,
    /// Where the coolant of an idling engine would settle without the fan, in degrees Celsius. Estimate.
    pub free_settle: f64,
    /// Radiator temperature of a hot start, in degrees Celsius. Estimate.
    pub radiator_start: f64,
    /// Time a warm start is short of warm, in s.
    pub warm_wait: f64,
    /// Battery while charging, in V (13.5 to 14.8: trade figure).
    pub charging: f64,
    /// Battery at rest, in V (12.6 when full: trade figure).
    pub resting: f64,
    /// Battery while the starter turns the engine, in V. Estimate.
    pub cranking: f64,
    /// How far below that it dips as the starter takes hold, in V. Estimate.
    pub inrush: f64,
    /// Chance that a start fails for want of current.
    pub misses_start: f64,
    /// Time the starter needs, in s. Estimate.
    pub crank_time: f64,
    /// Air flow that carries [`WARM_IDLE`], in kg/s. Solved.
    pub idle_air: f64,
    /// How the engine measures its air.
    pub air: AirMeasurement,
}

/// Whether a specimen has what this share of them has.
fn has(draws: &mut Draws, chance: f64) -> bool {
    draws.unit() < chance
}

impl Parameters {
    pub(crate) fn draw(config: &WorldConfig, faults: &Severities) -> Self {
        let mut draws = Draws::new(config.seed, Purpose::Parameters);
        let draws = &mut draws;
        let noise = config.noise_scale;

        let rpm_per_turn = draws.between((95.0, 135.0));
        // The screw carries no more than some half of the idle's air.
        let screw_right = draws.between((2.5, 4.0)).min(0.45 * WARM_IDLE / rpm_per_turn);
        // Off by enough to be worth setting, either way, and never by more than the valve can make up for.
        let off_rpm = draws.between((70.0, 170.0)) * if draws.unit() < 0.5 { -1.0 } else { 1.0 };

        let displacement = draws.between((1.4e-3, 2.0e-3));
        let bore = 0.042 * (displacement / 1.7e-3).sqrt() * draws.between((0.98, 1.02));
        let discharge = 0.8;
        let plate_span = draws.between((78.0, 84.0));
        let throttle_slope = (draws.between((4.0, 4.6)) - THROTTLE_RIGHT) / plate_span;
        let throttle_direction = if has(draws, 0.5) { 1.0 } else { -1.0 };
        // Two to eight counts of an 8-bit converter across 5 V.
        let found_off = draws.between((2.0, 8.0)) * 5.0 / 255.0 * if has(draws, 0.5) { 1.0 } else { -1.0 };
        let rotated_volts = config.throttle_volts.map_or(found_off, |volts| volts - THROTTLE_RIGHT);
        let drawn = rotated_volts / (throttle_direction * throttle_slope);
        let sensor_rotated = config.sensor_off_by.unwrap_or(drawn);

        let mut errors = Draws::new(config.seed, Purpose::Calibration);
        let mut p = Self {
            rpm_per_step: draws.between((7.5, 10.0)),
            rpm_per_turn,
            screw_right,
            screw_start: screw_right,
            displacement,
            manifold_volume: displacement * draws.between((1.3, 1.7)),
            inertia: draws.between((0.13, 0.20)),
            delay_turns: draws.between((1.0, 1.5)),
            bore_area: std::f64::consts::FRAC_PI_4 * bore * bore * discharge,
            plate_closed: draws.between((5.5, 6.5)),
            plate_span,
            base_area: 0.0,
            step_area: 0.0,
            turn_area: 0.0,
            rpm_area: 0.0,
            cold_air_rpm: draws.between((370.0, 430.0)),
            cold_plate: if has(draws, 0.3) { draws.between((0.6, 1.2)) } else { 0.0 },
            leak_rpm: 350.0 * faults.of(FaultKind::AirLeak),
            stuck_air_rpm: 400.0 * faults.of(FaultKind::StuckFastIdle),
            stop_degrees: 2.5 * faults.of(FaultKind::ThrottleStop),
            cable_degrees: 2.0 * faults.of(FaultKind::TightCable),
            fuel_short: 0.25 * faults.of(FaultKind::Lean),
            fuel_wander: 0.05 * faults.of(FaultKind::Lean) * noise,
            fuel_error: draws.between((-0.04, 0.04)),
            cold_extra: draws.between((250.0, 320.0)),
            cyclic: draws.between((4.0, 8.0)) * noise * (1.0 + 3.0 * faults.of(FaultKind::Lean)),
            cyclic_time: draws.between((0.08, 0.20)),
            idle_gain: draws.between((0.014, 0.022)),
            idle_fast_gain: draws.between((0.010, 0.025)),
            idle_band: draws.between((8.0, 12.0)),
            spark_control: has(draws, 0.6),
            spark_gain: draws.between((0.02, 0.05)),
            fixes_spark: has(draws, 0.5),
            steps_per_second: draws.between((40.0, 80.0)),
            stick_band: 15.0 * faults.of(FaultKind::StickingIdleValve),
            throttle_slope,
            throttle_direction,
            sensor_rotated,
            throttle_noise: (draws.between((0.006, 0.010))
                + 0.06 * faults.of(FaultKind::NoisySensor)
                + 0.01 * faults.of(FaultKind::WornThrottleTrack))
                * noise,
            track_wear: faults.of(FaultKind::WornThrottleTrack),
            pocket_kelvin: 30.0 * faults.of(FaultKind::CoolantAirPocket),
            rpm_noise: (draws.between((0.8, 1.6)) + 2.0 * faults.of(FaultKind::NoisySensor)) * noise,
            coolant_noise: draws.between((0.15, 0.35)) * noise,
            battery_noise: (draws.between((0.02, 0.05)) + 0.12 * faults.of(FaultKind::WeakBattery)) * noise,
            rpm_error: errors.normal() * 0.9 * noise,
            coolant_error: errors.normal() * 1.3 * noise,
            battery_error: errors.normal() * 0.09 * noise,
            pressure_error: errors.normal() * 0.9 * noise,
            tachometer_scale: 1.0 + 0.02 * errors.normal().clamp(-2.0, 2.0),
            thermostat: draws.between((88.0, 92.0)) - 35.0 * faults.of(FaultKind::ThermostatOpen),
            thermostat_open: faults.of(FaultKind::ThermostatOpen) > 0.0,
            warm_up_time: draws.between((150.0, 260.0)),
            cool_down_time: draws.between((3_000.0, 5_000.0)),
            surroundings: draws.between((12.0, 26.0)),
            idle_heat: 0.0,
            fan_on: draws.between((96.2, 97.8)),
            fan_off: draws.between((91.2, 92.6)),
            free_settle: draws.between((102.0, 106.0)),
            radiator_start: draws.between((60.0, 84.0)),
            warm_wait: draws.between((8.0, 28.0)),
            charging: draws.between((13.8, 14.4)) - 1.9 * faults.of(FaultKind::WeakBattery),
            resting: draws.between((12.5, 12.7)) - 0.9 * faults.of(FaultKind::WeakBattery),
            cranking: draws.between((9.8, 10.8)) - 2.0 * faults.of(FaultKind::WeakBattery),
            inrush: draws.between((0.4, 1.0)) + 4.0 * faults.of(FaultKind::WeakBattery),
            misses_start: (2.0 * (faults.of(FaultKind::WeakBattery) - 0.6)).clamp(0.0, 0.8),
            crank_time: draws.between((0.7, 1.2)),
            idle_air: 0.0,
            air: config.air,
        };
        balance::calibrate(&mut p);
        p.place_screw(config, off_rpm, draws);
        p
    }

    /// Where the screw is found.
    fn place_screw(&mut self, config: &WorldConfig, off_rpm: f64, draws: &mut Draws) {
        let high = draws.between((1_220.0, 1_580.0));
        let off = config.screw_off_by.unwrap_or(off_rpm / self.rpm_per_turn);
        let mut at = config.screw_at.unwrap_or(self.screw_right + off);
        if config.idle_high {
            // The valve shuts and the screw alone lets in what this speed takes.
            let beyond = balance::required_area(self, high, &balance::Condition::hot(self))
                - balance::required_area(self, WARM_IDLE, &balance::Condition::hot(self));
            at = self.screw_right + (beyond + self.step_area * f64::from(BASIC_STEPS)) / self.turn_area;
        }
        self.screw_start = at.clamp(0.0, SCREW_TRAVEL);
    }
}

#[cfg(test)]
mod tests;
