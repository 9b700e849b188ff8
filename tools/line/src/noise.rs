//! Seeded faults of single characters.

use rand::RngExt;
use rand_pcg::Pcg32;

use crate::Arrival;

/// Chances, for each character an end hears (its own echo too), that it is lost, heard twice or heard wrong.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Noise {
    /// Chance that the character is not heard, 0 to 1.
    pub lost: f64,
    /// Chance that it is heard twice, 0 to 1.
    pub doubled: f64,
    /// Chance that one of its bits, the stop bit among them, is heard wrong, 0 to 1.
    pub corrupted: f64,
    /// Windows in which other chances hold.
    pub bursts: Vec<Burst>,
}

/// A window of time with its own chances.
#[derive(Debug, Clone, PartialEq)]
pub struct Burst {
    /// First moment of the window, in nanoseconds.
    pub from: i64,
    /// First moment after the window, in nanoseconds.
    pub to: i64,
    /// Chance of loss inside it.
    pub lost: f64,
    /// Chance of doubling inside it.
    pub doubled: f64,
    /// Chance of a wrong bit inside it.
    pub corrupted: f64,
}

/// What became of one character.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Fate {
    Lost,
    Once(Arrival),
    Twice(Arrival),
}

impl Noise {
    /// Draws the fate of a character. Nothing is drawn where nothing can happen, so that a quiet line costs
    /// nothing.
    pub(crate) fn strike(&self, arrival: Arrival, rng: &mut Pcg32) -> Fate {
        let burst = self.bursts.iter().find(|b| b.from <= arrival.start && arrival.start < b.to);
        let (lost, doubled, corrupted) =
            burst.map_or((self.lost, self.doubled, self.corrupted), |b| (b.lost, b.doubled, b.corrupted));
        if lost <= 0.0 && doubled <= 0.0 && corrupted <= 0.0 {
            return Fate::Once(arrival);
        }
        let draw: f64 = rng.random();
        if draw < lost {
            Fate::Lost
        } else if draw < lost + doubled {
            Fate::Twice(arrival)
        } else if draw < lost + doubled + corrupted {
            Fate::Once(with_wrong_bit(arrival, rng.random_range(0..9)))
        } else {
            Fate::Once(arrival)
        }
    }
}

fn with_wrong_bit(mut arrival: Arrival, bit: u32) -> Arrival {
    if bit < 8 {
        arrival.byte ^= 1 << bit;
    } else {
        arrival.framing_error = !arrival.framing_error;
    }
    arrival
}
