//! A run on a real wire, in real time: the driver has a thread of its own, and everything else runs beside it.

use std::sync::Arc;
use std::sync::mpsc::{Sender, channel};

use clock::{Clock, Stop, handoff, spawn_real};
use link::{Driver, DriverParts, Operator, RunEnd, Viewer};
use model::{Event, Place, Problem, ProblemKind, SessionId};
use os::inhibit::Inhibit;
use procedure::{Cancel, Facts, RunReport};
use record::{Archive, HoldLedger, Recorder};

use super::end::Ended;
use super::left::{Left, recover};
use super::plan::Plan;
use super::{script, session};
use crate::port::{Port, throttle};
use crate::sides::beside::{Beside, Shown};
use crate::sides::facts;
use crate::sides::ledger::{self, DiskLedger, left_behind};
use crate::sides::pulse::Pulse;
use crate::sides::tape::{Pace, Tape};

/// Entries between driver and recorder: at the fastest wire some minutes.
const QUEUE: usize = 65_536;

/// What a run on a real wire needs beside its plan.
pub struct RealParts {
    /// Where the wire is.
    pub port: Port,
    /// Who answers.
    pub operator: Box<dyn Operator + Send>,
    /// Who looks on beside the screen.
    pub viewer: Option<Box<dyn Viewer + Send>>,
    /// The wish to stop.
    pub stop: Stop,
    /// What a person agreed to.
    pub consent: Option<Event>,
}

impl std::fmt::Debug for RealParts {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("RealParts").field("port", &self.port).finish_non_exhaustive()
    }
}

/// What the driver's thread hands back.
struct Driven {
    end: RunEnd,
    report: Option<RunReport>,
    recorder: Recorder,
    session: SessionId,
}

/// Runs a plan on a wire. What a former run left held is released before anything else is done, the closing of its
/// records included.
pub fn real(plan: &Arc<Plan>, parts: RealParts) -> Result<Ended, Vec<Problem>> {
    let (beside, shown) = Beside::start(plan.screen.clone()).map_err(|problem| vec![problem])?;
    let (begun, has_begun) = channel();
    let (theirs, screen) = (plan.clone(), beside.clone());
    let thread =
        spawn_real("wire", move |clock| async move { drive(&theirs, parts, screen, &begun, clock).await });
    let thread = thread.map_err(|error| vec![program(&error.to_string())])?;
    // A laptop whose lid is shut would stop recording, and leave what is held to the controller's timeout.
    let mut awake = Inhibit::system().begin("a procedure runs on a car");
    recover(&plan.archive, &plan.screen, &has_begun);
    if let Some(complaint) = awake.complaint() {
        plan.screen.say(&complaint);
    }
    let driven = thread.join().unwrap_or_else(|_| Ok(Err(program("the driver's thread panicked"))));
    let driven = driven.map_err(|error| vec![program(&error.to_string())])?;
    let driven = driven.map_err(|problem| vec![problem])?;
    Ok(close(plan, driven, beside, shown))
}

async fn drive(
    plan: &Plan,
    parts: RealParts,
    mut screen: Beside,
    begun: &Sender<()>,
    clock: Clock,
) -> Result<Driven, Problem> {
    let raised = os::priority::raise_this_thread();
    tracing::info!("the wire's thread: {raised}");
    let RealParts { port, operator, viewer, stop, consent } = parts;
    let mut open = port.opener();
    let transport = open(&clock)?;
    let throttle = throttle(transport.abilities().latency, &plan.car.description);
    let (ledger, outstanding) = ledger::name(&plan.station, &plan.car.description.name)
        .and_then(|name| HoldLedger::open(&plan.archive, &name))?;
    let description = Arc::new(plan.car.description.clone());
    let left = left_behind(&outstanding, &description);
    for intent in &left {
        screen.say(format!("{} was left held by a former run: it is released first", intent.output));
    }
    let anchor = clock.anchor();
    let recording = record(plan, anchor.utc_nanos);
    let (session, recorder) = match recording {
        Ok(recording) => recording,
        // A disk that is full, or an archive that is gone, must not keep back what a former run left held.
        Err(problem) if !left.is_empty() => {
            let left = Left {
                car: &plan.car,
                station: &plan.station,
                patience: plan.patience,
                screen: &plan.screen,
                held: left,
                ledger,
            };
            left.release_only(&clock, transport, open).await;
            return Err(problem);
        }
        Err(problem) => return Err(problem),
    };
    let handle = recorder.handle();
    let (caller, callee) = handoff(&clock, plan.script_patience);
    let mut driver = Driver::new(DriverParts {
        clock: clock.clone(),
        transport,
        description,
        script: callee,
        stop,
        sink: Box::new(
            Tape::new(handle.clone(), Box::new(screen.clone()), Pace::Real).tracing(plan.about.wire_trace),
        ),
        ledger: Box::new(DiskLedger::beside(ledger, &left, clock.clone())),
        operator,
        viewer: Box::new(Pulse::new(Box::new(screen), viewer, handle)),
        station: plan.station.clone(),
        session: session.clone(),
        left_behind: left,
        patience: plan.patience,
        reopen: Some(open),
    });
    driver.record(session::started(plan));
    driver.record(anchor.event());
    plan.about.measured.iter().for_each(|one| driver.record(one.clone()));
    if let Some(consent) = consent {
        driver.record(consent);
    }
    if let Some(text) = throttle {
        driver.record(Event::Remark { text });
    }
    // Nobody waits for this any more when the run is being torn down.
    begun.send(()).ok();
    let cancel = Cancel::new();
    let facts = Facts { notes: plan.earlier.clone(), ..facts::of(&plan.car.description) };
    let thread =
        script::start(plan.procedure.clone(), facts, plan.limits.clone(), caller, None, cancel.clone());
    // A script that could not start has dropped its side: the driver then releases what was left, and ends.
    let end = driver.run().await;
    let thread = thread?;
    cancel.cancel();
    // A script that was abandoned is not waited for: its thread cannot be ended from outside.
    let report = if end.abandoned { None } else { thread.join().ok() };
    Ok(Driven { end, report, recorder, session })
}

/// Begins the session and its recorder.
fn record(plan: &Plan, utc_nanos: i64) -> Result<(SessionId, Recorder), Problem> {
    let mut archive = Archive::unrecovered(&plan.archive)?;
    if let Some(every) = plan.about.sync_every {
        archive.set_sync_interval(every);
    }
    let (session, writer) = session::begin(plan, &archive, utc_nanos)?;
    Ok((session, Recorder::start(writer, QUEUE)?))
}

fn close(plan: &Plan, driven: Driven, beside: Beside, shown: Shown) -> Ended {
    let Driven { end, report, recorder, session } = driven;
    let real = end.length;
    let tape = Tape::new(recorder.handle(), Box::new(beside), Pace::Real);
    let ended = session::close(plan, recorder, tape, end, report, session, real);
    shown.finish();
    ended
}

fn program(seen: &str) -> Problem {
    Problem::new(ProblemKind::Program, Place::Program, seen, "report this fault")
}
