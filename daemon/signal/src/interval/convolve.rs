//! The 95 % half-width of a rectangle and a normal distribution together.

use statrs::function::erf::erfc;

use crate::stats::quantile::Z95;

/// Half the width of the symmetric 95 % interval of the sum of a rectangle from -`rectangle` to `rectangle`
/// and a normal distribution of standard deviation `normal` (both 0 or more; the result has their unit).
///
/// The density of the sum is the convolution of the two, so its distribution has the closed form
/// F(x) = \[G(x + a) - G(x - a)\] / 2a with G(y) = y Phi(y/s) + s phi(y/s). F(k) = 0.975 is solved by
/// Newton's steps from below. F bends downwards there, so no step passes the solution; where rounding would
/// break that, the interval is halved instead. A rectangle alone gives 0.95 of its half-width: it is never
/// covered wider than it is.
pub fn half_width_95(rectangle: f64, normal: f64) -> f64 {
    let (a, s) = (rectangle.abs(), normal.abs());
    if s <= 1e-9 * a {
        return 0.95 * a;
    }
    if a <= 1e-3 * s {
        // The rectangle is lost in the noise: only its variance a^2/3 counts (JCGM 100:2008, F.2.2.1).
        return Z95 * (s * s + a * a / 3.0).sqrt();
    }
    if !(a.is_finite() && s.is_finite()) {
        return f64::INFINITY;
    }
    // Scaled by the rectangle, so that no size of the inputs overflows.
    a * unit_half_width(s / a)
}

/// The same for a rectangle of half-width 1.
fn unit_half_width(s: f64) -> f64 {
    // Convolution only spreads, so the interval is at least that of either part alone.
    let (mut low, mut high) = (f64::max(0.95, Z95 * s), 1.0 + Z95 * s);
    let mut x = low;
    for _ in 0..60 {
        let (up, down) = ((x + 1.0) / s, (x - 1.0) / s);
        let (phi_up, phi_down) = (cumulative(up), cumulative(down));
        let f = 0.5 * ((x + 1.0) * phi_up - (x - 1.0) * phi_down + s * (density(up) - density(down)));
        let miss = 0.975 - f;
        if miss > 0.0 {
            low = x;
        } else {
            high = x;
        }
        let newton = x + miss / (0.5 * (phi_up - phi_down));
        let next = if newton >= low && newton <= high { newton } else { 0.5 * (low + high) };
        if (next - x).abs() <= 1e-12 * x {
            return next;
        }
        x = next;
    }
    x
}

fn cumulative(z: f64) -> f64 {
    0.5 * erfc(-z * std::f64::consts::FRAC_1_SQRT_2)
}

fn density(z: f64) -> f64 {
    (-0.5 * z * z).exp() / (2.0 * std::f64::consts::PI).sqrt()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_rectangle_alone_is_not_covered_wider_than_it_is() {
        // JCGM 101:2008, 7.7: the 95 % interval of a rectangle of full width q is 0.95 q wide.
        assert!((half_width_95(0.5, 0.0) - 0.475).abs() < 1e-15);
    }

    #[test]
    fn a_normal_alone_has_the_quantile_of_the_guide() {
        // JCGM 100:2008, table G.1: 1.960 standard deviations for 95 %.
        assert!((half_width_95(0.0, 1.0) - 1.960).abs() < 5e-4);
    }

    #[test]
    fn one_dominant_rectangle_is_that_of_the_supplement() {
        // JCGM 101:2008, 9.2.4 (from memory): three rectangles of standard deviation 1 and one of 10 have the
        // 95 % interval +-17.0, while the law of propagation of uncertainty gives +-19.9. The three small
        // ones together are close to normal with standard deviation sqrt(3).
        let k = half_width_95(10.0 * 3f64.sqrt(), 3f64.sqrt());
        assert!((k - 17.0).abs() < 0.05, "{k}");
    }

    #[test]
    fn the_half_width_solves_its_equation_and_joins_its_limits() {
        // An independent quadrature of the convolved density over the interval must give 0.95.
        for s in [1e-4, 1e-3, 0.01, 0.03, 0.1, 0.3, 1.0, 3.0, 30.0, 300.0, 900.0, 1100.0] {
            let k = half_width_95(1.0, s);
            let inside = |u: f64| cumulative((k - u) / s) - cumulative((-k - u) / s);
            let steps = 200_000;
            let sum: f64 = (0..steps).map(|i| inside(-1.0 + (2.0 * i as f64 + 1.0) / steps as f64)).sum();
            assert!((sum / steps as f64 - 0.95).abs() < 2e-6, "s = {s}: {}", sum / steps as f64);
        }
    }

    #[test]
    fn more_of_either_part_never_narrows_it() {
        let mut before = 0.0;
        for i in 0..2_000 {
            let k = half_width_95(1.0, i as f64 * 0.001);
            assert!(k >= before && k >= 0.95 && k.is_finite());
            before = k;
        }
        assert_eq!(half_width_95(f64::INFINITY, 1.0), f64::INFINITY);
        assert!(half_width_95(1e-300, 1e-300).is_finite() && half_width_95(1e300, 1e300).is_finite());
    }
}
