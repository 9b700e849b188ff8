//! Where an engine balances: the air a speed takes, the speed an opening carries, and from these the areas
//! of a specimen's openings and its heat losses.

use super::air::{ATMOSPHERE, CHOKED, KELVIN, flow_factor, per_area};
use super::coolant::intake;
use super::electrics;
use super::manifold::Breathing;
use super::torque;
use crate::parameters::{BASIC_STEPS, IDLE_SPARK, Parameters, WARM_IDLE};

/// What the balance depends on besides the openings.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Condition {
    /// Coolant and oil, in degrees Celsius.
    pub(crate) coolant: f64,
    pub(crate) oil: f64,
    /// Air to fuel over the stoichiometric one.
    pub(crate) lambda: f64,
    /// Power the engine gives to belts and alternator, in W.
    pub(crate) power: f64,
}

impl Condition {
    /// Hot, without faults and with nothing switched on.
    pub(crate) fn hot(p: &Parameters) -> Self {
        Self { coolant: p.thermostat.max(85.0), oil: 90.0, lambda: 1.0, power: electrics::IGNITION_POWER }
    }
}

/// Torque left at this speed and manifold pressure, in N m.
fn surplus(p: &Parameters, rpm: f64, pressure: f64, condition: &Condition) -> f64 {
    let kelvin = KELVIN + intake(p, condition.coolant);
    let breathing = Breathing::new(0.0, p.displacement, p.manifold_volume, kelvin, rpm);
    let speed = rpm * std::f64::consts::TAU / 60.0;
    let charge = breathing.air_out(pressure) / speed;
    let given = torque::indicated(charge, rpm, pressure, torque::quality(condition.lambda, IDLE_SPARK));
    given - torque::drag(rpm, pressure, condition.oil, p.displacement) - condition.power / speed
}

/// The manifold pressure that carries this speed, in Pa.
pub(crate) fn pressure_at(p: &Parameters, rpm: f64, condition: &Condition) -> f64 {
    let (mut low, mut high) = (5_000.0, ATMOSPHERE);
    for _ in 0..50 {
        let middle = (low + high) / 2.0;
        let short = surplus(p, rpm, middle, condition) < 0.0;
        (low, high) = if short { (middle, high) } else { (low, middle) };
    }
    (low + high) / 2.0
}

/// Air that carries this speed, in kg/s.
fn required_air(p: &Parameters, rpm: f64, condition: &Condition) -> f64 {
    let kelvin = KELVIN + intake(p, condition.coolant);
    let breathing = Breathing::new(0.0, p.displacement, p.manifold_volume, kelvin, rpm);
    breathing.air_out(pressure_at(p, rpm, condition))
}

/// Effective area of all openings together that carries this speed, in m2.
pub(crate) fn required_area(p: &Parameters, rpm: f64, condition: &Condition) -> f64 {
    let kelvin = KELVIN + intake(p, condition.coolant);
    let factor = flow_factor(pressure_at(p, rpm, condition) / ATMOSPHERE).max(1e-3);
    required_air(p, rpm, condition) / (per_area(kelvin) * factor)
}

/// The speed that this effective area carries, in r/min; 0 if it carries none.
pub(crate) fn carried(p: &Parameters, area: f64, condition: &Condition) -> f64 {
    let (mut low, mut high) = (300.0, 5_000.0);
    if required_area(p, low, condition) > area {
        return 0.0;
    }
    for _ in 0..40 {
        let middle = (low + high) / 2.0;
        let enough = required_area(p, middle, condition) < area;
        (low, high) = if enough { (middle, high) } else { (low, middle) };
    }
    (low + high) / 2.0
}

/// Solves the areas such that a hot engine with its screw right and its valve at its basic position idles at
/// its target, and a step and a turn gain what was drawn.
pub(crate) fn calibrate(p: &mut Parameters) {
    const NEARBY: f64 = 60.0;
    let hot = Condition::hot(p);
    let whole = required_area(p, WARM_IDLE, &hot);
    let above = required_area(p, WARM_IDLE + NEARBY, &hot);
    let below = required_area(p, WARM_IDLE - NEARBY, &hot);
    p.idle_air = required_air(p, WARM_IDLE, &hot);
    p.rpm_area = (above - below) / (2.0 * NEARBY);
    p.step_area = p.rpm_area * p.rpm_per_step;
    p.turn_area = p.rpm_area * p.rpm_per_turn;
    p.base_area = whole - p.step_area * f64::from(BASIC_STEPS) - p.turn_area * p.screw_right;
    p.idle_heat = super::coolant::heat(p.idle_air);
    debug_assert!(pressure_at(p, WARM_IDLE, &hot) < CHOKED * ATMOSPHERE, "an idle is choked");
}
