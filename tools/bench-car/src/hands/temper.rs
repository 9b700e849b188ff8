//! What kind of person the hands belong to.

use crate::random::{Draws, Purpose};

/// How a person works. All of it is drawn by the seed; the ranges are estimates, common practice, no published
/// source.
#[derive(Debug, Clone, PartialEq)]
pub struct Temper {
    /// Seconds from reading a prompt to acting on it, shortest and longest.
    pub reaction: (f64, f64),
    /// How far a movement strays from what was meant, as a share of it.
    pub clumsiness: f64,
    /// Chance that the first move of a screw goes the wrong way.
    pub wrong_way: f64,
    /// Degrees by which the sensor may creep while its screws are tightened, either way.
    pub creep: f64,
    /// Chance of walking away from a long wait.
    pub walks_away: f64,
    /// Rounds of setting and tightening the sensor before giving up.
    pub patience: u32,
    /// What a turn of the bypass screw is expected to do before it has been tried, in r/min.
    pub expects_per_turn: f64,
    /// Does not switch the engine off when asked to.
    pub leaves_engine_running: bool,
    /// Says that the key is off and leaves it on.
    pub leaves_key_on: bool,
}

impl Temper {
    /// The temper of a seed's person. One in fifty is impatient.
    pub fn draw(seed: u64) -> Self {
        let mut draws = Draws::new(seed, Purpose::Temper);
        let shortest = draws.between((1.0, 2.5));
        Self {
            reaction: (shortest, shortest + draws.between((1.5, 6.0))),
            clumsiness: draws.between((0.1, 0.45)),
            wrong_way: draws.between((0.1, 0.5)),
            creep: draws.between((0.1, 0.6)),
            walks_away: draws.between((0.2, 0.9)),
            patience: if draws.unit() < 0.02 { 1 } else { 10 },
            expects_per_turn: draws.between((60.0, 300.0)),
            leaves_engine_running: false,
            leaves_key_on: false,
        }
    }
}
