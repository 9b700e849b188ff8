//! The way from induction to power: what the cylinders take now turns the crank one to one and a half
//! revolutions later.

/// Grid steps remembered: at the slowest cranking a revolution takes fewer.
const STEPS: usize = 64;

#[derive(Debug)]
pub(crate) struct Charges {
    ring: [f64; STEPS],
    newest: usize,
}

impl Charges {
    /// As if this charge had been taken for long, in kg for each radian.
    pub(crate) fn new(charge: f64) -> Self {
        Self { ring: [charge; STEPS], newest: 0 }
    }

    pub(crate) fn take(&mut self, charge: f64) {
        self.newest = (self.newest + 1) % STEPS;
        self.ring[self.newest] = charge;
    }

    /// The charge taken so many grid steps ago, between two of them in proportion.
    pub(crate) fn ago(&self, steps: f64) -> f64 {
        let steps = steps.clamp(0.0, (STEPS - 2) as f64);
        let whole = steps as usize;
        let part = steps - whole as f64;
        let at = |back: usize| self.ring[(self.newest + STEPS - back) % STEPS];
        at(whole) + (at(whole + 1) - at(whole)) * part
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_charge_comes_back_after_its_delay() {
        let mut charges = Charges::new(0.0);
        for k in 0..200 {
            charges.take(f64::from(k));
        }
        assert_eq!(charges.ago(0.0), 199.0);
        assert_eq!(charges.ago(9.0), 190.0);
        assert!((charges.ago(8.25) - 190.75).abs() < 1e-12);
    }
}
