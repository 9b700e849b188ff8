//! The two quantiles behind every 95 % interval.

use std::sync::OnceLock;

use statrs::distribution::{ContinuousCDF, StudentsT};

/// The 97.5 % quantile of the normal distribution: 95 % lie within plus and minus this many standard
/// deviations.
pub const Z95: f64 = 1.959_963_984_540_054;

/// Beyond this many degrees of freedom Student's quantile is taken here, 0.6 % above the normal one, so that
/// the table stays small and errs to the wide side.
const LARGEST: usize = 200;

/// The 97.5 % quantile of Student's t for whole degrees of freedom; below 1 it is taken as 1.
///
/// The values are tabulated once because solving for one takes longer than judging a window.
pub fn t95(freedom: usize) -> f64 {
    static TABLE: OnceLock<Vec<f64>> = OnceLock::new();
    let table = TABLE.get_or_init(|| {
        (1..=LARGEST)
            .map(|nu| {
                StudentsT::new(0.0, 1.0, nu as f64)
                    .expect("degrees of freedom are positive")
                    .inverse_cdf(0.975)
            })
            .collect()
    });
    table[freedom.clamp(1, LARGEST) - 1]
}

/// Student's quantile for an effective number of degrees of freedom, cut to the next lower whole number
/// (JCGM 100:2008, G.4.1, from memory); below 1 it is taken as 1.
pub fn t95_effective(freedom: f64) -> f64 {
    t95(freedom.max(1.0) as usize)
}

#[cfg(test)]
mod tests {
    use statrs::distribution::Normal;

    use super::*;

    #[test]
    fn the_quantiles_are_those_of_the_guide() {
        // JCGM 100:2008, table G.2, column 95 % (from memory).
        for (nu, t) in
            [(1, 12.71), (2, 4.30), (3, 3.18), (5, 2.57), (10, 2.23), (20, 2.09), (50, 2.01), (100, 1.984)]
        {
            assert!((t95(nu) - t).abs() < 0.005, "{nu}: {}", t95(nu));
        }
        assert!((Normal::standard().inverse_cdf(0.975) - Z95).abs() < 1e-9);
        assert!(t95(usize::MAX) > Z95 && t95(usize::MAX) < 1.006_5 * Z95);
        assert_eq!(t95_effective(f64::NAN), t95(1));
        assert_eq!(t95_effective(2.99), t95(2));
    }
}
