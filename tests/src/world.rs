//! One bench car with one archive, on which procedures are run.

use std::cell::RefCell;
use std::io::Write;
use std::path::Path;
use std::rc::Rc;
use std::sync::{Arc, Mutex};
use std::time::Duration;

use bench_car::hands::Hands;
use bench_car::{Happened, World, WorldConfig};
use link::Patience;
use model::{Problem, StationId};
use procedure::Limits;
use record::{HoldLedger, Outstanding};
use station::bench::{SharedHands, SharedWorld, Variant, share_hands};
use station::load;
use station::run::{Ended, Hooks, Plan, rehearse};
use station::sides::ledger;
use station::sides::screen::{Screen, Style};
use tempfile::TempDir;
use wire::frame::Message;

/// What a screen has written.
#[derive(Debug, Clone, Default)]
pub struct Paper(Arc<Mutex<Vec<u8>>>);

impl Paper {
    /// The text so far.
    pub fn text(&self) -> String {
        String::from_utf8_lossy(&self.0.lock().expect("no test panics while it writes")).into_owned()
    }
}

impl Write for Paper {
    fn write(&mut self, bytes: &[u8]) -> std::io::Result<usize> {
        self.0.lock().expect("no test panics while it writes").extend_from_slice(bytes);
        Ok(bytes.len())
    }

    fn flush(&mut self) -> std::io::Result<()> {
        Ok(())
    }
}

/// A bench car with an archive.
#[derive(Debug)]
pub struct Bench {
    /// The car.
    pub world: SharedWorld,
    /// The archive.
    pub archive: TempDir,
    /// The hands of its person.
    pub hands: SharedHands,
    /// What the last run's screen wrote.
    pub paper: Paper,
    variant: Variant,
    seed: u64,
}

impl Bench {
    /// A warm car of a seed.
    pub fn new(seed: u64) -> Self {
        Self::with(WorldConfig { seed, ..WorldConfig::default() })
    }

    /// Any car that measures its air by pressure.
    pub fn with(config: WorldConfig) -> Self {
        Self::of(Variant::Pressure, config)
    }

    /// Any car of a kind.
    pub fn of(variant: Variant, mut config: WorldConfig) -> Self {
        variant.configure(&mut config);
        let seed = config.seed;
        let world = World::new(config).expect("the test's world is in order");
        // In memory where the system offers it: thousands of runs would wait for the disk's syncs, and what a
        // lost sync costs is tried on a simulated disk elsewhere.
        let memory = Path::new("/dev/shm");
        let archive = if memory.is_dir() { tempfile::tempdir_in(memory) } else { tempfile::tempdir() };
        let archive = archive.expect("a temporary folder");
        Self {
            world: Rc::new(RefCell::new(world)),
            archive,
            hands: share_hands(Hands::new(seed)),
            paper: Paper::default(),
            variant,
            seed,
        }
    }

    /// A plan for a script's text.
    pub fn plan(&self, name: &str, text: &str) -> Result<Plan, Vec<Problem>> {
        let limits = Limits::default();
        let procedure = load::compile(name, text, &limits)?;
        let (file, text) = self.variant.description();
        let car = load::described(file, text)?;
        Ok(Plan {
            procedure: Arc::new(procedure),
            car: Arc::new(car),
            station: StationId::new("bench").expect("an id"),
            session: format!("test-seed-{}", self.seed),
            tags: Default::default(),
            about: Default::default(),
            earlier: Default::default(),
            archive: self.archive.path().to_path_buf(),
            limits,
            patience: Patience::default(),
            script_patience: Duration::from_secs(60),
            screen: Screen::new(Box::new(self.paper.clone()), None, Style::Json),
        })
    }

    /// A plan for a shipped procedure, with its finding rules.
    pub fn shipped(&self, name: &str) -> Plan {
        let found = load::procedure(name, None, &Limits::default()).expect("it is shipped and in order");
        let shipped = procedure::scripts::shipped(name).expect("it is shipped");
        let plan = self.plan(shipped.file, shipped.text).expect("it is in order");
        Plan { procedure: Arc::new(found), ..plan }
    }

    /// Runs a plan to its end.
    pub fn run(&self, plan: &Plan, hooks: Hooks) -> Option<Ended> {
        rehearse(plan, self.world.clone(), self.hands.clone(), hooks).expect("the archive is in order")
    }

    /// What the hold ledger says may still be held.
    pub fn left_in_ledger(&self, plan: &Plan) -> Vec<Outstanding> {
        let name = ledger::name(&plan.station, &plan.car.description.name).expect("a name");
        HoldLedger::open(self.folder(), &name).expect("a ledger").1
    }

    /// The archive's folder.
    pub fn folder(&self) -> &Path {
        self.archive.path()
    }

    /// The car's own time, in nanoseconds.
    pub fn car_time(&self) -> i64 {
        self.world.borrow().truth().at
    }

    /// Lets the car's time pass with nobody at the wire.
    pub fn let_pass(&self, nanos: i64) {
        let to = self.car_time() + nanos;
        self.world.borrow_mut().advance(to);
    }

    /// Every hold the controller took part in: from, to, and why it ended; none while it is still held.
    pub fn holds(&self) -> Vec<(i64, Option<(i64, bench_car::Why)>)> {
        let mut holds: Vec<(i64, Option<(i64, bench_car::Why)>)> = Vec::new();
        for happened in self.world.borrow().log() {
            match happened {
                // A refresh of a running hold is no new hold.
                Happened::Held { at, .. } if holds.last().is_none_or(|hold| hold.1.is_some()) => {
                    holds.push((*at, None));
                }
                Happened::Released { at, why } => {
                    if let Some(hold) = holds.last_mut() {
                        hold.1.get_or_insert((*at, *why));
                    }
                }
                _ => {}
            }
        }
        holds
    }

    /// The data of every request the controller heard, with the end of its last character.
    pub fn requests(&self) -> Vec<(i64, Vec<u8>)> {
        let log = self.world.borrow();
        let heard = log.log().iter().filter_map(|happened| match happened {
            Happened::Request { at, bytes, .. } => {
                let message = Message::decode(bytes).expect("the controller took it");
                Some((*at, message.expect("the controller took it whole").data))
            }
            _ => None,
        });
        heard.collect()
    }

    /// Requests the controller ignored because this side broke the timing of the standard.
    pub fn violations(&self) -> Vec<Happened> {
        let log = self.world.borrow();
        let broken = log.log().iter().filter(|happened| match happened {
            Happened::Ignored { why, .. } => why.is_violation(),
            _ => false,
        });
        broken.cloned().collect()
    }
}
