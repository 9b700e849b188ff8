//! Turning the throttle sensor on its slots with an eye on the readout.

use super::Readout;
use crate::random::Draws;

/// A reading has moved when it is this far from the one before, in the readout's unit: half a count of an eighth-bit
/// converter over 5 V.
const SEEN: f64 = 0.01;
/// The first nudge, in degrees.
const FIRST: f64 = 1.5;
/// No single nudge is larger, in degrees.
const LARGEST: f64 = 6.0;
/// How often the readout must be right before the hands rest.
const RIGHT: u32 = 2;

/// What the hands have learned of the sensor, from nothing but the readout.
#[derive(Debug, Default)]
pub(super) struct Nudge {
    per_degree: Option<f64>,
    before: Option<(f64, f64)>,
    right: u32,
}

impl Nudge {
    /// Degrees to turn now; none while it is right or nothing has been seen.
    pub(super) fn next(&mut self, seen: &Readout, clumsiness: f64, draws: &mut Draws) -> Option<f64> {
        if let Some((value, turned)) = self.before
            && (seen.value - value).abs() > SEEN
        {
            let learned = (seen.value - value) / turned;
            self.per_degree = Some(learned.signum() * learned.abs().clamp(0.01, 0.2));
        }
        if seen.gap == 0.0 {
            self.right += 1;
            self.before = None;
            return None;
        }
        self.right = 0;
        let stray = 1.0 + clumsiness * draws.normal();
        let turn = match self.per_degree {
            Some(per_degree) => (seen.gap + SEEN * seen.gap.signum()) / per_degree * stray,
            // Nobody knows which way the sensor counts: the first nudge tells.
            None => FIRST * stray.abs().max(0.3) * if draws.unit() < 0.5 { -1.0 } else { 1.0 },
        };
        let turn = turn.clamp(-LARGEST, LARGEST);
        self.before = Some((seen.value, turn));
        Some(turn)
    }

    /// Whether the readout has been right for long enough to take the hands off.
    pub(super) fn rests(&self) -> bool {
        self.right >= RIGHT
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::random::Purpose;

    /// Whatever way the sensor counts, the hands find the window within a few nudges.
    #[test]
    fn the_direction_is_learned_from_the_first_nudge() {
        for seed in 0..200 {
            let mut draws = Draws::new(seed, Purpose::Hands);
            let per_degree = if seed % 2 == 0 { 0.045 } else { -0.045 };
            let (mut value, mut nudge, mut moves) = (0.62f64, Nudge::default(), 0);
            while !nudge.rests() {
                let gap = if value > 0.51 { 0.51 - value } else { (0.49 - value).max(0.0) };
                let seen = Readout { channel: "throttle".into(), value, gap };
                if let Some(turn) = nudge.next(&seen, 0.3, &mut draws) {
                    value += turn * per_degree;
                    moves += 1;
                }
                assert!(moves < 30, "seed {seed}: still at {value}");
            }
            assert!((0.49..=0.51).contains(&value));
        }
    }
}
