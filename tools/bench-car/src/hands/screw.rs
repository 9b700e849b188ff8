//! Turning the bypass screw in small moves.

use crate::random::Draws;

/// What a person expects of a quarter of a turn before having tried, in r/min a turn.
const EXPECTED: f64 = 120.0;
/// The largest and the smallest move of a careful person, in turns.
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
        clumsiness: f64,
        wrong_way: f64,
        draws: &mut Draws,
    ) -> f64 {
        if let (Some((was, turned)), Some(rpm)) = (self.before, rpm) {
            let learned = (rpm - was) / turned;
            if learned > 20.0 {
                self.per_turn = Some(learned.min(400.0));
            }
        }
        let needed = gap.map_or(0.25, |gap| gap.abs() / self.per_turn.unwrap_or(EXPECTED));
        let stray = (1.0 + clumsiness * draws.normal()).clamp(0.3, 2.0);
        let size = (needed * stray).clamp(MOVES.0, MOVES.1);
        let wrong = !std::mem::replace(&mut self.moved, true) && draws.unit() < wrong_way;
        let turn = if out == wrong { -size } else { size };
        self.before = rpm.map(|rpm| (rpm, turn));
        turn
    }
}
