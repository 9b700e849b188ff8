//! One case in real time: the bench car behind a pseudo-terminal on a thread of its own, the driver on another.

use std::sync::Arc;
use std::sync::mpsc::{Sender, channel};

use bench_car::hands::Hands;
use bench_car::{Happened, World, WorldConfig};
use clock::{Clock, Stop, handoff, spawn_real};
use link::{Driver, DriverParts, Patience, RunEnd};
use model::event::Spread;
use model::{Problem, SessionId, Span, StationId};
use station::bench::served::{Act, Served};
use station::bench::{self, share, share_hands};
use station::port::Port;
use tokio::sync::mpsc::{UnboundedReceiver, unbounded_channel};

use crate::case::Case;
use crate::exchanges::{Measured, exchanges, measured};
use crate::run::{MeasureError, SCRIPT_PATIENCE};
use crate::script::{Task, ask};
use crate::stand_ins::{Marks, NoLedger, Nobody};

/// What goes before: the schedule learns what an exchange costs.
const SETTLING: Span = Span::from_secs(2);
/// What comes after the last reading and is not measured: the release, and leave being taken.
const LEAVING: Span = Span::from_millis(500);

/// A case in real time.
#[derive(Debug, Clone, PartialEq)]
pub struct Real {
    /// How much of the wire was used.
    pub measured: Measured,
    /// How late first characters of requests left (P3).
    pub request_late: Spread,
    /// How late their other characters left (P4).
    pub character_late: Spread,
    /// Exchanges that failed.
    pub faults: u64,
    /// What the system did for the wire's thread, in words.
    pub thread: String,
}

/// Measures a case for a time on the bench car of a seed.
pub fn measure_real(case: &Case, seed: u64, time: Span) -> Result<Real, MeasureError> {
    let failed = |why: String| MeasureError::Run(why);
    let description = Arc::new(case.description().map_err(MeasureError::Description)?);
    let world = WorldConfig { awake: true, untimed: true, keep_log: true, ..case.world(seed) };
    let stop = Stop::new();
    // Kept until the end: a bench car that nobody can reach any more goes home.
    let (_acts, mut acting) = unbounded_channel();
    let (ready, port) = channel();
    let ending = stop.clone();
    let car = spawn_real("bench-car", move |clock| async move {
        serve(clock, world, &ready, &mut acting, &ending).await
    })?;
    // A car that could not be served says why when its thread is joined.
    let driven = match port.recv() {
        Ok(port) => {
            let (task, description) = (Task::of(case, SETTLING, time), description.clone());
            let wire = spawn_real("wire", move |clock| drive(clock, port, description, task))?;
            Some(
                wire.join()
                    .map_err(|_| failed("the driver panicked".into()))??
                    .map_err(|p| failed(p.to_string()))?,
            )
        }
        Err(_) => None,
    };
    stop.raise("the measurement");
    let log = car.join().map_err(|_| failed("the bench car panicked".into()))??.map_err(failed)?;
    let (end, thread) = driven.ok_or_else(|| failed("the bench car was not served".into()))?;
    let all = exchanges(&log);
    let to =
        all.last().ok_or_else(|| failed(format!("nothing was exchanged: {:?}", end.why)))?.answered - LEAVING;
    let measured = measured(&all, to - time, to, case.gaps(&description), description.link.baud)
        .ok_or_else(|| failed("nothing was exchanged while it was measured".into()))?;
    Ok(Real {
        measured,
        request_late: end.times.requests_late(),
        character_late: end.times.characters_late(),
        faults: end.tally.faults.values().sum(),
        thread,
    })
}

/// The bench car's side, until it is stopped.
async fn serve(
    clock: Clock,
    config: WorldConfig,
    ready: &Sender<String>,
    acting: &mut UnboundedReceiver<Act>,
    ending: &Stop,
) -> Result<Vec<Happened>, String> {
    os::priority::raise_this_thread();
    let hands = share_hands(Hands::new(config.seed));
    let world = share(World::new(config).map_err(|error| error.to_string())?);
    let mut served = Served::new(clock, world.clone(), hands, None).map_err(|error| error.to_string())?;
    let path = served.path().as_ref().map(|path| path.display().to_string()).ok_or("it has no port")?;
    ready.send(path).map_err(|error| error.to_string())?;
    served.run(acting, ending).await.map_err(|error| error.to_string())?;
    let log = world.borrow().log().to_vec();
    Ok(log)
}

/// The driver's side, with its script.
async fn drive(
    clock: Clock,
    port: String,
    description: Arc<car::Description>,
    task: Task,
) -> Result<(RunEnd, String), Problem> {
    let raised = os::priority::raise_this_thread().to_string();
    let mut open = Port::at(&port).opener();
    let transport = open(&clock)?;
    let (caller, callee) = handoff(&clock, SCRIPT_PATIENCE);
    let driver = Driver::new(DriverParts {
        clock,
        transport,
        description,
        script: callee,
        stop: Stop::new(),
        sink: Box::new(Marks::default()),
        ledger: Box::new(NoLedger),
        operator: Box::new(bench::Hands::new(share_hands(Hands::new(0)), 0)),
        viewer: Box::new(Nobody),
        station: StationId::new("bench").expect("a plain word is an id"),
        session: SessionId::new("wire-use").expect("a plain word is an id"),
        left_behind: Vec::new(),
        patience: Patience::default(),
        reopen: Some(open),
    });
    let script = std::thread::spawn(move || ask(&caller, &task));
    let end = driver.run().await;
    let asked = script.join().unwrap_or_else(|_| Err("its script panicked".into()));
    asked
        .map(|()| (end, raised))
        .map_err(|seen| Problem::new(model::ProblemKind::Link, model::Place::Wire, seen, "measure it again"))
}
