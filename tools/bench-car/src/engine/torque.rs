//! What combustion gives and what friction and pumping take.

use std::f64::consts::PI;

use super::air::ATMOSPHERE;

/// Lower heating value of petrol, J/kg (idle example of a university engine-systems exercise).
pub(crate) const HEATING_VALUE: f64 = 42.5e6;
/// Air for each kg of petrol (stoichiometric).
pub(crate) const STOICHIOMETRIC: f64 = 14.7;
/// Oil this warm no longer drags, in degrees Celsius. Estimate.
const OIL_WARM: f64 = 75.0;
/// Friction added by oil at 20 degrees Celsius, as a share. Estimate.
const COLD_OIL: f64 = 0.4;

/// Indicated efficiency by speed (Hendricks and Sorenson, as quoted by Jiang et al. 2023).
pub(crate) fn by_speed(rpm: f64) -> f64 {
    0.558 * (1.0 - 0.392 * (rpm * 1e-3).max(0.12).powf(-0.36))
}

/// The factor of the manifold's pressure in Pa on it (same source).
pub(crate) fn by_pressure(pressure: f64) -> f64 {
    let p = pressure * 1e-5;
    0.9301 + 0.2154 * p - 0.1657 * p * p
}

/// The factor of the mixture on it (same source for rich mixtures; the lean branch from memory). The two
/// published branches do not meet at 1: a straight line joins them over the first twentieth.
pub(crate) fn by_mixture(lambda: f64) -> f64 {
    let rich = |l: f64| -1.299 + 3.599 * l - 1.332 * l * l;
    let lean = |l: f64| -0.0205 + 1.741 * l - 0.745 * l * l;
    if lambda <= 1.0 {
        rich(lambda.max(0.6))
    } else if lambda < 1.05 {
        rich(1.0) + (lean(1.05) - rich(1.0)) * (lambda - 1.0) / 0.05
    } else {
        lean(lambda.min(2.0)).max(0.0)
    }
}

/// The factor of ignition timing in degrees before top dead centre on it (same source).
pub(crate) fn by_spark(advance: f64) -> f64 {
    0.7 + 0.024 * advance - 0.00048 * advance * advance
}

/// Friction mean effective pressure with warm oil, in Pa (Heywood 1988 eq. 13.6 after Barnes-Moss, from
/// memory).
pub(crate) fn friction_pressure(rpm: f64) -> f64 {
    let n = rpm * 1e-3;
    (0.97 + 0.15 * n + 0.05 * n * n) * 1e5
}

/// How much more oil at this temperature drags.
pub(crate) fn oil_factor(oil: f64) -> f64 {
    1.0 + COLD_OIL * ((OIL_WARM - oil) / (OIL_WARM - 20.0)).clamp(0.0, 2.0)
}

/// Torque of a mean effective pressure in Pa acting on a four-stroke engine of this swept volume, in N m.
pub(crate) fn of_pressure(pressure: f64, displacement: f64) -> f64 {
    pressure * displacement / (4.0 * PI)
}

/// Friction and pumping, in N m: the cylinders fill against the manifold and empty against the exhaust.
pub(crate) fn drag(rpm: f64, pressure: f64, oil: f64, displacement: f64) -> f64 {
    let friction = friction_pressure(rpm) * oil_factor(oil);
    of_pressure(friction + (ATMOSPHERE - pressure).max(0.0), displacement)
}

/// Torque of a charge of air in kg for each radian, in N m, with all its factors but those of speed and
/// pressure in `quality`.
pub(crate) fn indicated(charge: f64, rpm: f64, pressure: f64, quality: f64) -> f64 {
    HEATING_VALUE / STOICHIOMETRIC * charge * by_speed(rpm) * by_pressure(pressure) * quality
}

/// The factor of mixture and timing for the same air: less fuel comes with a leaner mixture.
pub(crate) fn quality(lambda: f64, advance: f64) -> f64 {
    by_mixture(lambda) / lambda.max(0.6) * by_spark(advance)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::controller::published::rows;

    const VECTORS: &str = include_str!("../../../../tests/published/08_hendricks_vectors.csv");

    #[test]
    fn efficiencies_agree_with_the_published_equations() {
        for row in rows(VECTORS) {
            let figure = |name: &str| row[name].parse::<f64>().expect("a figure");
            let close = |seen: f64, name: &str| {
                assert!((seen - figure(name)).abs() < 1e-5, "{name}: {seen}");
            };
            close(by_speed(figure("n_krpm") * 1e3), "eta_n");
            close(by_pressure(figure("p_bar") * 1e5), "eta_p");
            close(by_mixture(figure("lambda")), "eta_lambda");
        }
    }

    /// Heywood 1988 eq. 13.6 (from memory): 1.122 bar at 800 r/min.
    #[test]
    fn friction_at_800() {
        assert!((friction_pressure(800.0) - 1.122e5).abs() < 1e-6);
        // 1 bar on 1.7 l gives 1e5 x 1.7e-3 / (4 pi) = 13.528 N m: definition of mean effective pressure.
        assert!((of_pressure(1e5, 1.7e-3) - 13.528).abs() < 1e-3);
    }

    /// The timing factor peaks at 25 degrees with 0.7 + 0.6 - 0.3 = 1: its own equation, by hand.
    #[test]
    fn timing_is_best_at_25_degrees() {
        assert!((by_spark(25.0) - 1.0).abs() < 1e-12);
        assert!((by_spark(10.0) - 0.892).abs() < 1e-12);
        assert!(by_spark(5.0) < by_spark(10.0));
    }

    #[test]
    fn the_mixture_factor_has_no_step_and_falls_when_lean() {
        let mut last = by_mixture(0.7) / 0.7;
        for k in 71..160 {
            let lambda = f64::from(k) * 0.01;
            let now = by_mixture(lambda) / lambda;
            assert!((now - last).abs() < 0.015, "{lambda}");
            last = now;
        }
        assert!(quality(1.3, 10.0) < 0.9 * quality(1.0, 10.0));
    }
}
