//! Air through openings: isentropic compressible flow, and the areas of the openings.

use crate::parameters::Parameters;

/// Gas constant of dry air, J/(kg K) (ISO 2533:1975, from memory: 287.05).
pub(crate) const GAS_CONSTANT: f64 = 287.05;
/// Pressure around the car, in Pa (ISO 2533:1975, from memory).
pub(crate) const ATMOSPHERE: f64 = 101_325.0;
/// Degrees Celsius to kelvin.
pub(crate) const KELVIN: f64 = 273.15;
/// Ratio of specific heats of air.
const GAMMA: f64 = 1.4;
/// The pressure ratio below which the flow is choked: (2/(g+1))^(g/(g-1)).
pub(crate) const CHOKED: f64 = 0.528_281_787_717_174;
/// The flow factor of choked flow: sqrt(g) (2/(g+1))^((g+1)/(2(g-1))).
pub(crate) const CHOKED_FACTOR: f64 = 0.684_731_456_377_270_5;
/// Above this ratio the factor goes to zero in a straight line, as its slope would have no bound at 1.
const STRAIGHT: f64 = 0.98;
/// The factor at [`STRAIGHT`].
const STRAIGHT_FACTOR: f64 = 0.197_845_550_570_654_87;

/// The flow factor of an orifice at the ratio of downstream to upstream pressure: mass flow is area times
/// upstream pressure over sqrt(R T) times this (Heywood 1988, appendix C, from memory).
pub(crate) fn flow_factor(ratio: f64) -> f64 {
    if ratio <= CHOKED {
        CHOKED_FACTOR
    } else if ratio < STRAIGHT {
        unchoked(ratio)
    } else {
        STRAIGHT_FACTOR * ((1.0 - ratio) / (1.0 - STRAIGHT)).max(0.0)
    }
}

fn unchoked(ratio: f64) -> f64 {
    let root = ratio.powf((GAMMA - 1.0) / GAMMA);
    // r^(1/g) is r over r^((g-1)/g).
    ratio / root * (2.0 * GAMMA / (GAMMA - 1.0) * (1.0 - root)).sqrt()
}

/// Mass flow through an effective area of 1 m2 at flow factor 1 from the surroundings, in kg/s.
pub(crate) fn per_area(kelvin: f64) -> f64 {
    ATMOSPHERE / (GAS_CONSTANT * kelvin).sqrt()
}

/// Effective area of the throttle beyond its closed leakage, in m2: the plate is an ellipse whose shadow
/// leaves A (1 - cos(a)/cos(a0)) of the bore free (Heywood 1988, 7.6.2, without the shaft, from memory).
pub(crate) fn plate_area(p: &Parameters, opened: f64) -> f64 {
    if opened <= 0.0 {
        return 0.0;
    }
    let closed = p.plate_closed.to_radians();
    let angle = (p.plate_closed + opened).min(90.0).to_radians();
    p.bore_area * (1.0 - angle.cos() / closed.cos())
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Heywood 1988 appendix C (from memory): choked at 0.528282 for a ratio of specific heats of 1.4.
    #[test]
    fn the_choked_ratio_and_its_factor() {
        assert!((CHOKED - 0.528_282).abs() < 1e-6);
        assert!((CHOKED - (2.0 / 2.4f64).powf(3.5)).abs() < 1e-12);
        assert!((CHOKED_FACTOR - 1.4f64.sqrt() * (2.0 / 2.4f64).powf(3.0)).abs() < 1e-12);
        assert!((unchoked(CHOKED) - CHOKED_FACTOR).abs() < 1e-9, "both branches meet");
        assert!((unchoked(STRAIGHT) - STRAIGHT_FACTOR).abs() < 1e-9, "{}", unchoked(STRAIGHT));
    }

    /// Worked by hand from the isentropic relation: at ratio 0.9, 0.9^(1/1.4) = 0.92751, 0.9^(2/7) = 0.97035,
    /// so 0.92751 sqrt(7 x 0.02965) = 0.42258; at 0.7: 0.77510 sqrt(7 x 0.09689) = 0.63832; at 0.6:
    /// 0.69427 sqrt(7 x 0.13581) = 0.67692; choked: 0.68473.
    #[test]
    fn the_flow_factor_at_hand_worked_points() {
        for (ratio, factor) in [(0.9, 0.42258), (0.7, 0.63832), (0.6, 0.67692), (0.3, 0.68473), (1.0, 0.0)] {
            assert!((flow_factor(ratio) - factor).abs() < 1e-4, "{ratio}: {}", flow_factor(ratio));
        }
        assert_eq!(flow_factor(1.2), 0.0);
    }

    /// Choked flow from the standard atmosphere: 0.68473 x 101325 / sqrt(287.05 x 288.15) = 241.24 kg/(m2 s).
    #[test]
    fn choked_flow_from_the_standard_atmosphere() {
        let flow = per_area(288.15) * CHOKED_FACTOR;
        assert!((flow - 241.24).abs() < 0.05, "{flow}");
    }

    /// ISO 2533:1975 (from memory): 1.2250 kg/m3 at 15 degrees Celsius and 101325 Pa.
    #[test]
    fn the_standard_density() {
        let density = ATMOSPHERE / (GAS_CONSTANT * 288.15);
        assert!((density - 1.2250).abs() < 1e-4, "{density}");
    }
}
