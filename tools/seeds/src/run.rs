//! One run of a procedure against one bench car.

use std::collections::BTreeMap;
use std::sync::Arc;
use std::time::Duration;

use bench_car::{Fault, World, WorldConfig};
use link::Patience;
use model::{Ending, Place, Problem, ProblemKind, StationId};
use procedure::Limits;
use record::HoldLedger;
use station::bench::{share, warm_level};
use station::load::{self, Car, Procedure};
use station::run::{Hooks, Plan, rehearse};
use station::sides::ledger;
use station::sides::screen::{Screen, Style};

use crate::case::Case;

/// How long, in real time, a script may compute between two calls.
const SCRIPT_PATIENCE: Duration = Duration::from_secs(60);

/// What all runs share.
#[derive(Debug, Clone)]
pub struct Setup {
    procedure: Arc<Procedure>,
    car: Arc<Car>,
    station: StationId,
}

/// How one run ended.
#[derive(Debug, Clone, PartialEq)]
pub struct Verdict {
    /// The seed.
    pub seed: u64,
    /// How.
    pub ending: Ending,
    /// Why, where it did not pass.
    pub why: Option<String>,
    /// How long it took on the engine's clock, in seconds.
    pub engine_seconds: f64,
    /// How many times faster than real time it ran.
    pub speed: f64,
    /// What is still held after the end, by the hold ledger or by the car itself; empty as it must be.
    pub left_held: Vec<String>,
    /// Whether it could be carried out at all.
    pub carried_out: bool,
}

impl Setup {
    /// Loads a procedure, by its shipped name or its path, and the bench car's description.
    pub fn new(procedure: &str) -> Result<Self, Vec<Problem>> {
        let procedure = load::procedure(procedure, None, &Limits::default())?;
        let car = load::car(None)?;
        let station = StationId::new("bench").expect("a plain word is an id");
        Ok(Self { procedure: Arc::new(procedure), car: Arc::new(car), station })
    }

    /// Runs one seed of a case in an archive of its own, which is removed afterwards.
    pub fn run(&self, case: &Case, seed: u64) -> Verdict {
        self.try_run(case, seed).unwrap_or_else(|problems| Verdict {
            seed,
            ending: problems.iter().fold(Ending::Passed, |ending, problem| ending.and(problem.kind.ending())),
            why: Some(problems.iter().map(ToString::to_string).collect::<Vec<_>>().join("; ")),
            engine_seconds: 0.0,
            speed: 0.0,
            left_held: Vec::new(),
            carried_out: false,
        })
    }

    fn try_run(&self, case: &Case, seed: u64) -> Result<Verdict, Vec<Problem>> {
        let archive = tempfile::tempdir().map_err(|error| {
            let cure = "free space in the folder for temporary files, or name another in TMPDIR";
            vec![Problem::new(
                ProblemKind::Program,
                Place::Program,
                format!("no temporary folder: {error}"),
                cure,
            )]
        })?;
        let world = World::new(self.world(case, seed)).map_err(|error| {
            let place = Place::Argument { name: "--fault".into() };
            vec![Problem::new(ProblemKind::Argument, place, error.to_string(), "choose one of these")]
        })?;
        let world = share(world);
        let plan = self.plan(seed, archive.path());
        let ended = rehearse(&plan, world.clone(), Hooks::default())?.ok_or_else(|| {
            vec![Problem::new(ProblemKind::Program, Place::Program, "it crashed", "report this fault")]
        })?;

        let (_, outstanding) = ledger::name(&self.station, &self.car.description.name)
            .and_then(|name| HoldLedger::open(archive.path(), &name))
            .map_err(|problem| vec![problem])?;
        let mut left_held: Vec<String> =
            outstanding.iter().map(|held| format!("the ledger: {held:?}")).collect();
        // The ledger is our own word; the car is the judge.
        left_held.extend(world.borrow().truth().held.map(|steps| format!("the car: at {steps} steps")));
        let why = ended.why.clone().filter(|_| ended.ending != Ending::Passed);
        Ok(Verdict {
            seed,
            ending: ended.ending,
            why: why.or_else(|| ended.problems.first().map(ToString::to_string)),
            engine_seconds: ended.length.as_secs_f64(),
            speed: ended.speed(),
            left_held,
            carried_out: true,
        })
    }

    fn world(&self, case: &Case, seed: u64) -> WorldConfig {
        let faults = case.fault.iter().map(|(name, severity)| Fault::new(name, *severity)).collect();
        let mut config = WorldConfig { seed, faults, keep_log: false, ..WorldConfig::default() };
        if let Some(warm) = warm_level(&self.car.description) {
            config.warm_at = warm;
        }
        config
    }

    fn plan(&self, seed: u64, archive: &std::path::Path) -> Plan {
        Plan {
            procedure: self.procedure.clone(),
            car: self.car.clone(),
            station: self.station.clone(),
            session: format!("seed-{seed}"),
            tags: BTreeMap::new(),
            archive: archive.to_path_buf(),
            limits: Limits::default(),
            patience: Patience::default(),
            script_patience: SCRIPT_PATIENCE,
            screen: Screen::new(Box::new(std::io::sink()), None, Style::Plain),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::case::SeedRange;

    const ONE: SeedRange = SeedRange { first: 3, end: 4 };

    #[test]
    fn one_seed_gives_one_verdict_whatever_the_machine_does() {
        let setup = Setup::new("hold-demo").unwrap();
        let run = || Verdict { speed: 0.0, ..setup.run(&Case::healthy(ONE), 3) };
        let first = run();
        assert_eq!(first, run());
        assert_eq!(first.ending, Ending::Passed, "{first:?}");
        assert!(first.carried_out && first.engine_seconds > 10.0, "{first:?}");
    }

    #[test]
    fn a_fault_reaches_the_car() {
        let setup = Setup::new("hold-demo").unwrap();
        let case = Case::faulty("thermostat-open=1", ONE).unwrap();
        let verdict = setup.run(&case, 3);
        assert_ne!(verdict.ending, Ending::Passed, "an engine that never gets warm has passed: {verdict:?}");
        assert_eq!(verdict.left_held, Vec::<String>::new());
    }

    #[test]
    fn a_procedure_that_is_not_there_is_told() {
        assert!(Setup::new("no-such-procedure").is_err());
    }
}
