//! The two parts of a reading's uncertainty.
//!
//! Terms and evaluation follow the GUM (JCGM 100:2008, clauses from memory): the independent part scatters from reading to
//! reading, so averaging may reduce it; the shared part (calibration, reference, ground) is the same in
//! every reading, so averaging never does.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// What is not known about one reading, in the unit of the reading.
#[derive(Debug, Clone, Copy, PartialEq, Default, Serialize, Deserialize, JsonSchema)]
pub struct Uncertainty {
    /// Standard deviation of the noise that differs from reading to reading.
    pub noise: f64,
    /// Width of one converter count. The true value lies anywhere in a rectangle of this full width around
    /// the reading (JCGM 100:2008, F.2.2.1).
    pub resolution: f64,
    /// Standard uncertainty that all readings of the channel share.
    pub shared: f64,
}

impl Uncertainty {
    /// Standard uncertainty of one reading: noise, a rectangle of the resolution's width, and the shared
    /// part, combined as the root of the sum of squares (JCGM 100:2008, 5.1.2).
    pub fn standard(&self) -> f64 {
        (self.noise * self.noise + self.resolution * self.resolution / 12.0 + self.shared * self.shared)
            .sqrt()
    }

    /// The same uncertainty in a unit whose numbers are `factor` times as large.
    pub fn scaled(&self, factor: f64) -> Self {
        let factor = factor.abs();
        Self {
            noise: self.noise * factor,
            resolution: self.resolution * factor,
            shared: self.shared * factor,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_rectangle_alone_has_the_standard_uncertainty_of_the_gum() {
        // JCGM 100:2008, F.2.2.1: u = 0.29 of the width (1/sqrt(12)).
        let u = Uncertainty { resolution: 1.0, ..Uncertainty::default() };
        assert!((u.standard() - 0.288_675).abs() < 1e-6);
    }
}
