//! The crank: what turns it, what holds it back, and whether the engine runs, stands or is being started.

use std::f64::consts::TAU;

use super::electrics::{BROWN_OUT, RECOVERED};
use super::{Engine, GRID_SECONDS, Phase, STARTER_LIMIT, torque};
use crate::parameters::STALL_RPM;

/// Torque of the standing starter for each m3 of swept volume at 10 V, in N m. Estimate: 55 N m for 1.7 l.
const STARTER: f64 = 32_000.0;
/// The speed at which it gives none any more at 10 V, in r/min. Estimate.
const STARTER_FREE: f64 = 300.0;
/// It takes so long to mesh, in nanoseconds. Estimate.
const MESHING: i64 = 80_000_000;
/// A controller that restarted needs so long before it fires again, in nanoseconds. Estimate.
const RESTARTING: i64 = 300_000_000;
/// An engine that has reached this speed runs by itself, in r/min. Estimate.
pub(super) const CAUGHT_RPM: f64 = 550.0;
/// Below this speed even a starting engine stops, in r/min. Estimate.
const DEAD_RPM: f64 = 90.0;
/// The fuel is cut above the first speed until the second, in r/min. Estimates.
const LIMITER: (f64, f64) = (6_200.0, 6_000.0);

impl Engine {
    /// The crank's equation of motion: what combustion and starter give, what friction, pumping and loads
    /// take.
    pub(super) fn turn_crank(&mut self) {
        let p = &self.parameters;
        let speed = self.mean * TAU / 60.0;
        let drag = torque::drag(self.mean, self.pressure, self.coolant.oil, p.displacement);
        let mut given = 0.0;
        let mut taken = if self.mean > 0.0 { drag } else { 0.0 };
        match self.phase {
            Phase::Running => {
                let back = p.delay_turns * 60.0 / self.mean.max(60.0) / GRID_SECONDS;
                let quality = torque::quality(self.fuel.lambda, self.control.spark);
                if !self.limited {
                    given = torque::indicated(self.charges.ago(back), self.mean, self.pressure, quality);
                }
                // Below some speed the alternator no longer takes what it is asked for.
                taken += self.loads.at_crank(self.coolant.fan) / speed.max(40.0);
            }
            // The pinion meshes while current already flows.
            Phase::Cranking { ends_at, .. } if self.at < ends_at - STARTER_LIMIT + MESHING => {}
            Phase::Cranking { .. } => {
                let volts = self.battery.volts / 10.0;
                let free = STARTER_FREE * volts;
                given = STARTER * p.displacement * volts * (1.0 - self.mean / free).max(0.0);
                // Friction holds a standing crank and does not turn it back.
                taken = if self.mean > 0.0 { drag } else { drag.min(given) };
            }
            Phase::Stopped => {}
        }
        let next = (speed + (given - taken) / p.inertia * GRID_SECONDS).max(0.0);
        #[cfg(test)]
        {
            self.ledger.work_given += given * (speed + next) / 2.0 * GRID_SECONDS;
            self.ledger.work_taken += taken * (speed + next) / 2.0 * GRID_SECONDS;
        }
        let rpm = next * 60.0 / TAU;
        self.rate = (rpm - self.mean) / GRID_SECONDS;
        self.mean = rpm;
        self.cyclic = if self.is_running() {
            self.cyclic * self.cyclic_left + self.cyclic_kick * self.streams.cyclic.normal()
        } else {
            0.0
        };
        self.limited = self.mean > if self.limited { LIMITER.1 } else { LIMITER.0 };
    }

    pub(super) fn change_phase(&mut self) {
        if !self.powered {
            return;
        }
        let volts = self.battery.volts;
        let was_out = self.browned_out;
        self.browned_out = volts < if was_out { RECOVERED } else { BROWN_OUT };
        match &mut self.phase {
            Phase::Cranking { fires_at, ends_at } => {
                if self.browned_out {
                    *fires_at = (*fires_at).max(self.at.saturating_add(RESTARTING));
                }
                if self.at >= *fires_at {
                    self.phase = Phase::Running;
                } else if self.at >= *ends_at {
                    self.phase = Phase::Stopped;
                }
            }
            Phase::Running => {
                self.caught |= self.mean > CAUGHT_RPM;
                if self.mean < if self.caught { STALL_RPM } else { DEAD_RPM } {
                    self.phase = Phase::Stopped;
                }
            }
            Phase::Stopped => {}
        }
    }
}
