//! The throttle sensor: a track under a wiper, in a body that turns on slotted holes.

use crate::parameters::{Parameters, THROTTLE_RIGHT};
use crate::random::Draws;

/// The slotted holes let the body turn so far either way, in degrees. Estimate.
const SLOTS: f64 = 12.0;
/// A worn spot is felt while the plate moves faster than this, in degrees a second. Estimate.
const MOVING: f64 = 1.0;
/// Half a worn spot's width, in degrees. Estimate.
const HALF_WIDTH: f64 = 0.8;
/// Worn spots of the worst track. Estimate.
const SPOTS: usize = 12;

#[derive(Debug)]
pub(crate) struct ThrottleSensor {
    /// The body's turn from its right place, in degrees.
    rotated: f64,
    slots: f64,
    /// Where the track is worn, in degrees of the plate, and how deep the voltage falls there, in V.
    worn: Vec<(f64, f64)>,
    /// What the voltage lacks at the moment for want of contact, in V.
    pub(crate) dropout: f64,
}

impl ThrottleSensor {
    pub(crate) fn new(p: &Parameters, draws: &mut Draws) -> Self {
        let all: Vec<(f64, f64)> = (0..SPOTS)
            .map(|_| (draws.between((0.5, p.plate_span / 3.0)), draws.between((0.15, 0.40))))
            .collect();
        let count = (p.track_wear * SPOTS as f64).ceil() as usize;
        Self {
            rotated: p.sensor_rotated,
            slots: SLOTS.max(p.sensor_rotated.abs()),
            worn: all.into_iter().take(count).collect(),
            dropout: 0.0,
        }
    }

    /// Turns the body, as far as its slots go.
    pub(crate) fn turn(&mut self, degrees: f64) {
        self.rotated = (self.rotated + degrees).clamp(-self.slots, self.slots);
    }

    /// Its voltage with good contact, in V.
    pub(crate) fn volts(&self, p: &Parameters, opened: f64) -> f64 {
        let turned = opened + p.throttle_direction * self.rotated;
        (THROTTLE_RIGHT + p.throttle_slope * turned).clamp(0.0, 5.0)
    }

    pub(crate) fn step(&mut self, opened: f64, speed: f64) {
        let lifted = |spot: &&(f64, f64)| (opened - spot.0).abs() < HALF_WIDTH;
        self.dropout = if speed.abs() < MOVING {
            0.0
        } else {
            self.worn.iter().filter(lifted).map(|spot| spot.1).fold(0.0, f64::max)
        };
    }
}
