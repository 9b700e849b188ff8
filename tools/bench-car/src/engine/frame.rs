//! The freeze frame: what was so when a trouble code was stored.

use crate::parameters::Parameters;
use crate::random::Draws;
use crate::truth::Readings;

#[derive(Debug)]
pub(crate) struct Frame {
    /// What was so.
    pub(crate) readings: Readings,
    /// When the next frame is to be taken.
    due: Option<i64>,
}

impl Frame {
    pub(crate) fn new() -> Self {
        Self { readings: Readings::default(), due: None }
    }

    /// A frame from an earlier idle, for codes that are stored from the start.
    pub(crate) fn earlier(&mut self, p: &Parameters, now: &Readings, draws: &mut Draws) {
        let standing = now.rpm == 0.0;
        let air = if standing { p.idle_air * 1e3 } else { now.air_g_per_s };
        let pressure = if standing { 31.0 } else { now.manifold_kpa };
        self.readings = Readings {
            rpm: if standing { crate::parameters::WARM_IDLE } else { now.rpm } + draws.between((-40.0, 40.0)),
            coolant: p.thermostat + draws.between((-8.0, 4.0)),
            battery: p.charging,
            air_g_per_s: air * draws.between((0.97, 1.05)),
            manifold_kpa: pressure * draws.between((0.97, 1.05)),
            spark: crate::parameters::IDLE_SPARK,
            ..*now
        };
    }

    /// A frame will be taken at this moment.
    pub(crate) fn take_at(&mut self, at: i64) {
        self.due = Some(at);
    }

    pub(crate) fn pass(&mut self, at: i64, now: &Readings) {
        if self.due.is_some_and(|due| due <= at) {
            (self.readings, self.due) = (*now, None);
        }
    }
}
