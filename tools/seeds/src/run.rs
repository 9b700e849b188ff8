//! One run of a procedure against one bench car.

use std::collections::BTreeMap;
use std::sync::Arc;
use std::time::Duration;

use bench_car::hands::Hands;
use bench_car::{Fault, World, WorldConfig};
use link::Patience;
use model::{Ending, Event, EventEnvelope, Grade, Place, Problem, ProblemKind, StationId};
use procedure::Limits;
use record::HoldLedger;
use station::bench::{Variant, share, share_hands, warm_level};
use station::load::{self, Car, Procedure};
use station::run::{Hooks, Plan, rehearse};
use station::sides::ledger;
use station::sides::screen::{Screen, Style};

use crate::case::{Case, CaseFault};
use crate::truth::{self, Truth};

/// How long, in real time, a script may compute between two calls.
const SCRIPT_PATIENCE: Duration = Duration::from_secs(60);

/// What all runs share.
#[derive(Debug, Clone)]
pub struct Setup {
    procedure: Arc<Procedure>,
    car: Arc<Car>,
    station: StationId,
    variant: Variant,
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
    /// Whether the simulated person gave up.
    pub gave_up: bool,
    /// What was said of the car against what was so.
    pub truth: Truth,
    /// The severity of the fault, where it varies from run to run.
    pub severity: Option<f64>,
    /// The place of the true cause among the findings, from 1; none where it is not among those that are more than
    /// unlikely.
    pub rank: Option<usize>,
}

impl Setup {
    /// Loads a procedure, by its shipped name or its path, and the bench car's description.
    pub fn new(procedure: &str, variant: Variant) -> Result<Self, Vec<Problem>> {
        let procedure = load::procedure(procedure, None, &Limits::default())?;
        let (file, text) = variant.description();
        let car = load::described(file, text)?;
        let station = StationId::new("bench").expect("a plain word is an id");
        Ok(Self { procedure: Arc::new(procedure), car: Arc::new(car), station, variant })
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
            gave_up: false,
            truth: Truth::default(),
            severity: None,
            rank: None,
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
        let hands = share_hands(Hands::new(seed));
        let ended = rehearse(&plan, world.clone(), hands.clone(), Hooks::default())?.ok_or_else(|| {
            vec![Problem::new(ProblemKind::Program, Place::Program, "it crashed", "report this fault")]
        })?;

        let (_, outstanding) = ledger::name(&self.station, &self.car.description.name)
            .and_then(|name| HoldLedger::open(archive.path(), &name))
            .map_err(|problem| vec![problem])?;
        let mut left_held: Vec<String> =
            outstanding.iter().map(|held| format!("the ledger: {held:?}")).collect();
        // The ledger is our own word; the car is the judge.
        left_held.extend(world.borrow().truth().held.map(|steps| format!("the car: at {steps} steps")));
        let events = match &ended.path {
            Some(path) => record::read_session(path).map_err(|problem| vec![problem])?.events,
            None => Vec::new(),
        };
        let truth = truth::compare(&world.borrow(), &events);
        let rank = case.fault.as_ref().and_then(|fault| rank(&events, &fault.name));
        let why = ended.why.clone().filter(|_| ended.ending != Ending::Passed);
        Ok(Verdict {
            seed,
            ending: ended.ending,
            why: why.or_else(|| ended.problems.first().map(ToString::to_string)),
            engine_seconds: ended.length.as_secs_f64(),
            speed: ended.speed(),
            left_held,
            carried_out: true,
            gave_up: hands.borrow().gave_up(),
            truth,
            severity: case.fault.as_ref().map(|fault| fault.severity.of(seed)),
            rank,
        })
    }

    fn world(&self, case: &Case, seed: u64) -> WorldConfig {
        let fault = |fault: &CaseFault| Fault::new(&fault.name, fault.severity.of(seed));
        let faults = case.fault.iter().map(fault).collect();
        let mut config =
            WorldConfig { seed, faults, keep_log: false, keep_truth: true, ..WorldConfig::default() };
        self.variant.configure(&mut config);
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
            about: station::run::About::default(),
            tags: BTreeMap::new(),
            earlier: BTreeMap::new(),
            archive: archive.to_path_buf(),
            limits: Limits::default(),
            patience: Patience::default(),
            script_patience: SCRIPT_PATIENCE,
            screen: Screen::new(Box::new(std::io::sink()), None, Style::Plain),
        }
    }
}

/// The place of a cause among the findings that are more than unlikely.
fn rank(events: &[EventEnvelope], cause: &str) -> Option<usize> {
    let found = events.iter().rev().find_map(|envelope| match &envelope.event {
        Event::Causes { causes } => Some(causes),
        _ => None,
    })?;
    let told = found.iter().filter(|one| matches!(one.grade, Grade::Likely | Grade::Possible));
    told.map(|one| one.id.as_str()).position(|id| id == cause).map(|place| place + 1)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::case::SeedRange;

    const ONE: SeedRange = SeedRange { first: 3, end: 4 };

    #[test]
    fn one_seed_gives_one_verdict_whatever_the_machine_does() {
        let setup = Setup::new("hold-demo", Variant::Pressure).unwrap();
        let run = || Verdict { speed: 0.0, ..setup.run(&Case::healthy(ONE), 3) };
        let first = run();
        assert_eq!(first, run());
        assert_eq!(first.ending, Ending::Passed, "{first:?}");
        assert!(first.carried_out && first.engine_seconds > 10.0, "{first:?}");
    }

    #[test]
    fn a_fault_reaches_the_car() {
        let setup = Setup::new("hold-demo", Variant::Pressure).unwrap();
        let case = Case::faulty("thermostat-open=1", ONE).unwrap();
        let verdict = setup.run(&case, 3);
        assert_ne!(verdict.ending, Ending::Passed, "an engine that never gets warm has passed: {verdict:?}");
        assert_eq!(verdict.left_held, Vec::<String>::new());
    }

    #[test]
    fn a_procedure_that_is_not_there_is_told() {
        assert!(Setup::new("no-such-procedure", Variant::Pressure).is_err());
    }
}
