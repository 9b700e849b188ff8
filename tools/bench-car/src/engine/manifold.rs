//! The intake manifold: it fills through openings and is emptied by the cylinders.

use super::air::{ATMOSPHERE, CHOKED, GAS_CONSTANT, flow_factor};

/// Steps that would move the pressure further than this, in Pa, are divided.
const COARSE: f64 = 4_000.0;
/// Into so many.
const PIECES: u32 = 5;
/// The volumetric efficiency is 0.952 - 0.075/p with p in bar (Hendricks and Sorenson, SAE 900616, as quoted
/// by Jiang et al. 2023): times the pressure in Pa that is this line.
const VOLUMETRIC: (f64, f64) = (0.952, 7_500.0);

/// The pressure that counts for what a cylinder takes: pressure times volumetric efficiency, in Pa.
pub(crate) fn swallowed(pressure: f64) -> f64 {
    (VOLUMETRIC.0 * pressure - VOLUMETRIC.1).max(0.0)
}

/// What fills and empties the manifold during one step.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Breathing {
    /// Inflow at flow factor 1, in kg/s.
    pub(crate) inflow: f64,
    /// Outflow for each Pa swallowed, in kg/(s Pa).
    pub(crate) outflow: f64,
    /// Pressure gained by 1 kg, in Pa.
    pub(crate) pressure_per_kg: f64,
}

impl Breathing {
    /// Of an engine of this swept volume and manifold (m3), air at `kelvin`, at `rpm`.
    pub(crate) fn new(inflow: f64, displacement: f64, volume: f64, kelvin: f64, rpm: f64) -> Self {
        Self {
            inflow,
            outflow: displacement * rpm / (120.0 * GAS_CONSTANT * kelvin),
            pressure_per_kg: GAS_CONSTANT * kelvin / volume,
        }
    }

    fn air_in(&self, pressure: f64) -> f64 {
        self.inflow * flow_factor(pressure / ATMOSPHERE)
    }

    pub(crate) fn air_out(&self, pressure: f64) -> f64 {
        self.outflow * swallowed(pressure)
    }
}

/// What one step moved.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Moved {
    /// The pressure afterwards, in Pa.
    pub(crate) pressure: f64,
    /// Air that came in and went out, in kg.
    pub(crate) came: f64,
    pub(crate) went: f64,
}

/// One step of dp/dt = f(p) with the exact exponential of its slope, divided where it would be coarse.
pub(crate) fn fill(pressure: f64, breathing: &Breathing, seconds: f64) -> Moved {
    let net = |p: f64| breathing.pressure_per_kg * (breathing.air_in(p) - breathing.air_out(p));
    let whole = step(pressure, &net, seconds);
    if (whole - pressure).abs() <= COARSE {
        return moved(pressure, whole, breathing, seconds);
    }
    let (mut now, mut sum) = (pressure, Moved { pressure, came: 0.0, went: 0.0 });
    let piece = seconds / f64::from(PIECES);
    for _ in 0..PIECES {
        let next = step(now, &net, piece);
        let part = moved(now, next, breathing, piece);
        sum = Moved { pressure: next, came: sum.came + part.came, went: sum.went + part.went };
        now = next;
    }
    sum
}

/// The flows by the pressures at both ends and in the middle (Simpson's rule).
fn moved(from: f64, to: f64, breathing: &Breathing, seconds: f64) -> Moved {
    let mean = |flow: &dyn Fn(f64) -> f64| (flow(from) + 4.0 * flow((from + to) / 2.0) + flow(to)) / 6.0;
    let came = if from.max(to) <= CHOKED * ATMOSPHERE {
        breathing.air_in(from)
    } else {
        mean(&|p| breathing.air_in(p))
    };
    Moved { pressure: to, came: came * seconds, went: mean(&|p| breathing.air_out(p)) * seconds }
}

pub(crate) fn step(pressure: f64, net: &dyn Fn(f64) -> f64, seconds: f64) -> f64 {
    const NEARBY: f64 = 20.0;
    let now = net(pressure);
    let slope = (net(pressure - NEARBY) - now) / NEARBY;
    let exponent = slope * seconds;
    let factor = if exponent > 1e-9 { -(-exponent).exp_m1() / slope } else { seconds };
    (pressure + now * factor).clamp(0.0, ATMOSPHERE)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::controller::published::rows;

    const STEADY: &str = include_str!("../../../../tests/published/08_crossley_cook_steady.csv");

    /// Hendricks and Sorenson (SAE 900616, as quoted by Jiang et al. 2023): 0.952 - 0.075/0.35 = 0.7377 at
    /// 0.35 bar and 0.8770 at 1 bar.
    #[test]
    fn the_published_volumetric_efficiency() {
        assert!((swallowed(35_000.0) / 35_000.0 - 0.737_714).abs() < 1e-6);
        assert!((swallowed(100_000.0) / 100_000.0 - 0.877).abs() < 1e-12);
    }

    /// The fixed points of Crossley and Cook (IEE Control 91, 1991): their flows through this integrator
    /// settle where the published equations balance.
    #[test]
    fn the_published_air_path_settles_at_its_published_fixed_points() {
        let mut compared = 0;
        for row in rows(STEADY) {
            let figure = |name: &str| row[name].parse::<f64>().expect("a figure");
            let (angle, rpm) = (figure("theta_deg"), figure("rpm"));
            let throttle = 2.821 - 0.05231 * angle + 0.10299 * angle.powi(2) - 0.00063 * angle.powi(3);
            let speed = rpm * std::f64::consts::TAU / 60.0;
            let net = |pascal: f64| {
                let p = pascal * 1e-5;
                let share = if p <= 0.5 { 1.0 } else { 2.0 * (p - p * p).abs().sqrt() * (1.0 - p).signum() };
                let out = -0.366 + 0.08979 * speed * p - 0.0337 * speed * p * p + 0.0001 * speed * speed * p;
                0.41328 * (throttle * share - out) * 1e5
            };
            let mut pressure = 0.543e5;
            for _ in 0..4_000 {
                pressure = step(pressure, &net, 0.002);
            }
            let expected = figure("manifold_bar");
            assert!((pressure * 1e-5 - expected).abs() < 1e-4, "{angle} {rpm}: {pressure} {expected}");
            compared += 1;
        }
        assert!(compared >= 35, "{compared}");
    }

    /// A vessel behind choked inflow fills in a straight line: analytic.
    #[test]
    fn a_standing_engine_fills_in_a_straight_line_and_then_to_the_surroundings() {
        let breathing = Breathing::new(0.004, 1.7e-3, 2.5e-3, 293.15, 0.0);
        let after = fill(20_000.0, &breathing, 0.01).pressure - 20_000.0;
        let expected = breathing.pressure_per_kg * 0.004 * 0.684_731 * 0.01;
        assert!((after - expected).abs() < 1e-3 * expected, "{after} {expected}");
        let mut pressure = 20_000.0;
        for _ in 0..300 {
            pressure = fill(pressure, &breathing, 0.01).pressure;
        }
        assert!((pressure - ATMOSPHERE).abs() < 1.0, "{pressure}");
    }

    /// What came in less what went out is what is stored: conservation of mass, in every kind of step.
    #[test]
    fn no_air_is_lost() {
        for (inflow, rpm, from) in
            [(0.004, 850.0, 30e3), (0.25, 850.0, 30e3), (0.25, 5_500.0, 95e3), (0.02, 2_000.0, 80e3)]
        {
            let breathing = Breathing::new(inflow, 1.7e-3, 2.5e-3, 293.15, rpm);
            let (mut pressure, mut stored, mut passed) = (from, 0.0, 0.0);
            for _ in 0..200 {
                let moved = fill(pressure, &breathing, 0.01);
                stored += moved.came - moved.went;
                passed += moved.came;
                pressure = moved.pressure;
            }
            let held = (pressure - from) / breathing.pressure_per_kg;
            assert!((stored - held).abs() < 2e-3 * passed.max(held.abs()), "{inflow} {rpm}: {stored} {held}");
        }
    }
}
