//! Turning the bypass screw in small moves.

use super::Temper;
use crate::random::Draws;

/// The smallest and the largest move of a careful person, in turns. Estimates.
const MOVES: (f64, f64) = (0.03, 0.75);

/// What the hands have learned of the screw.
#[derive(Debug, Default)]
pub(super) struct Screw {
    moved: bool,
    per_turn: Option<f64>,
    before: Option<(f64, f64)>,
}

impl Screw {
    /// Turns to move, outwards positive. `out`: the direction asked for. `rpm` and `gap`: what the readout said last.
    pub(super) fn next(
        &mut self,
        out: bool,
        rpm: Option<f64>,
        gap: Option<f64>,
        temper: &Temper,
        draws: &mut Draws,
    ) -> f64 {
        if let (Some((was, turned)), Some(rpm)) = (self.before, rpm) {
            let learned = (rpm - was) / turned;
            if learned > 20.0 {
                self.per_turn = Some(learned.min(400.0));
            }
        }
        let needed = gap.map_or(0.25, |gap| gap.abs() / self.per_turn.unwrap_or(temper.expects_per_turn));
        let stray = (1.0 + temper.clumsiness * draws.normal()).clamp(0.3, 2.0);
        let size = (needed * stray).clamp(MOVES.0, MOVES.1);
        let wrong = !std::mem::replace(&mut self.moved, true) && draws.unit() < temper.wrong_way;
        let turn = if out == wrong { -size } else { size };
        self.before = rpm.map(|rpm| (rpm, turn));
        turn
    }
}
