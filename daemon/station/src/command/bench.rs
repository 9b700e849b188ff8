//! Which bench car, and how it is found: the arguments of every command that has one.

use bench_car::{Fault, Start, WorldConfig};
use clap::Args;
use model::Problem;

use super::session::argument;
use crate::bench::{Variant, warm_level};
use crate::load;

/// Which kind of bench car.
#[derive(Debug, Args)]
pub(super) struct KindArgument {
    #[arg(long, default_value = "pressure", value_name = "KIND", help = kinds())]
    bench: String,
}

/// The help for it, which names every kind.
fn kinds() -> String {
    let kinds = Variant::NAMES.map(|(name, variant)| format!("{name} ({})", variant.words()));
    format!("Which kind of bench car: {}", kinds.join(", "))
}

impl KindArgument {
    /// The kind of this name.
    pub(super) fn variant(&self) -> Result<Variant, Problem> {
        Variant::named(&self.bench).ok_or_else(|| {
            let known = Variant::NAMES.map(|(name, _)| name).join(", ");
            let seen = format!("there is no bench car '{}'", self.bench);
            argument("--bench", seen, &format!("choose one of {known}"))
        })
    }
}

/// Which bench car, and how it is found.
#[derive(Debug, Args)]
pub(super) struct CarArguments {
    /// Which bench car, and which noise: one seed is one run, to the byte
    #[arg(long, default_value_t = 1)]
    pub(super) seed: u64,
    #[command(flatten)]
    kind: KindArgument,
    /// How the engine is found: warm (idling, a little short of warm), hot, cold (idling, just started),
    /// standing (cold, key on, not running), standing-warm
    #[arg(long, default_value = "warm", value_name = "STATE")]
    start: String,
    /// Degrees by which the throttle sensor is found turned from its right place
    #[arg(long, value_name = "DEGREES", allow_negative_numbers = true)]
    sensor_off: Option<f64>,
    /// Turns out from seated at which the bypass screw is found
    #[arg(long, value_name = "TURNS")]
    screw: Option<f64>,
    /// The idle is found far too high
    #[arg(long)]
    idle_high: bool,
    /// A fault of the bench car, with its severity from 0 to 1: NAME or NAME=0.5; may be given again
    #[arg(long = "fault", value_name = "NAME[=SEVERITY]")]
    faults: Vec<String>,
}

impl CarArguments {
    /// The kind of bench car, and the bench car; every mistake at once.
    pub(super) fn config(&self) -> Result<(Variant, WorldConfig), Vec<Problem>> {
        let mut problems = Vec::new();
        let variant = self.kind.variant().map_err(|problem| problems.push(problem)).unwrap_or_default();
        let mut config = WorldConfig {
            seed: self.seed,
            sensor_off_by: self.sensor_off,
            screw_at: self.screw,
            idle_high: self.idle_high,
            // What it did is kept only where it is asked for: it grows with the time.
            keep_log: false,
            ..WorldConfig::default()
        };
        variant.configure(&mut config);
        match STARTS.iter().find(|(name, _)| *name == self.start) {
            Some((_, start)) => config.start = *start,
            None => {
                let known = STARTS.map(|(name, _)| name).join(", ");
                let seen = format!("there is no starting state '{}'", self.start);
                problems.push(argument("--start", seen, &format!("choose one of {known}")));
            }
        }
        let (file, text) = variant.description();
        match load::described(file, text) {
            Ok(car) => config.warm_at = warm_level(&car.description).unwrap_or(config.warm_at),
            Err(more) => problems.extend(more),
        }
        for text in &self.faults {
            let (name, severity) = text.split_once('=').unwrap_or((text, "1"));
            match severity.parse() {
                Ok(severity) => config.faults.push(Fault::new(name, severity)),
                Err(_) => {
                    let seen = format!("'{severity}' is not a severity");
                    problems.push(argument("--fault", seen, "give a number from 0 to 1"));
                }
            }
        }
        if problems.is_empty() { Ok((variant, config)) } else { Err(problems) }
    }
}

/// The starting states by name.
const STARTS: [(&str, Start); 5] = [
    ("warm", Start::Warm),
    ("hot", Start::Hot),
    ("cold", Start::Cold),
    ("standing", Start::Standing),
    ("standing-warm", Start::StandingWarm),
];
