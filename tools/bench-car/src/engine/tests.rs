mod balances;
mod faults;
mod idling;
mod starting;

use super::*;
use crate::config::{Start, WorldConfig};
use crate::fault::{Fault, Severities};

const SECOND: i64 = 1_000_000_000;

fn quiet(seed: u64, start: Start) -> WorldConfig {
    WorldConfig { seed, start, noise_scale: 0.0, ..WorldConfig::default() }
}

fn engine(config: &WorldConfig) -> Engine {
    let faults = Severities::resolve(&config.faults).expect("known faults");
    Engine::new(config, &faults)
}

fn with_fault(name: &str, severity: f64, config: WorldConfig) -> Engine {
    engine(&WorldConfig { faults: vec![Fault::new(name, severity)], ..config })
}

impl Engine {
    /// Runs for some seconds and returns the mean speed over the last half of them.
    fn run(&mut self, seconds: f64) -> f64 {
        let from = self.at;
        let steps = (seconds / GRID_SECONDS) as i64;
        let (mut sum, mut count) = (0.0, 0.0);
        for k in 0..steps {
            self.advance(from + (k + 1) * GRID);
            if k >= steps / 2 {
                (sum, count) = (sum + self.mean, count + 1.0);
            }
        }
        sum / count
    }
}
