//! Seeded draws, one stream a purpose, so that a new draw in one place moves nothing elsewhere.

use rand::RngExt;
use rand_distr::{Distribution, StandardNormal};
use rand_pcg::Pcg32;

/// What a stream of draws is for.
#[derive(Debug, Clone, Copy)]
pub(crate) enum Purpose {
    Parameters = 11,
    Engine = 12,
    Sensors = 13,
    Controller = 14,
    Calibration = 15,
    Throttle = 16,
    Fuel = 17,
    Pocket = 18,
    Hands = 19,
    Starter = 20,
    Frame = 21,
    Temper = 22,
}

#[derive(Debug, Clone)]
pub(crate) struct Draws(Pcg32);

impl Draws {
    pub(crate) fn new(seed: u64, purpose: Purpose) -> Self {
        Self(Pcg32::new(seed, purpose as u64))
    }

    /// Even between 0 and 1.
    pub(crate) fn unit(&mut self) -> f64 {
        self.0.random()
    }

    /// Even between two figures.
    pub(crate) fn between(&mut self, range: (f64, f64)) -> f64 {
        range.0 + (range.1 - range.0) * self.unit()
    }

    /// Normal with mean 0 and standard deviation 1.
    pub(crate) fn normal(&mut self) -> f64 {
        StandardNormal.sample(&mut self.0)
    }
}
