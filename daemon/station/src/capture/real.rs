//! A capture on a real wire: the driver has a thread of its own, and everything else runs beside it.

use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::mpsc::{Sender, channel};
use std::time::Duration;

use clock::{Clock, Stop, handoff, spawn_real};
use link::{Driver, DriverParts, RunEnd};
use model::{Command, Event, Place, Problem, ProblemKind, Reply, SessionId};
use os::inhibit::Inhibit;
use record::HoldLedger;

use super::end::{CaptureEnded, ended, ending};
use super::keeper::{Keeper, KeeperParts, Kepts};
use super::plan::CapturePlan;
use super::status::{Status, StatusViewer};
use super::tape::KeeperThread;
use crate::port::{Port, throttle};
use crate::run::{Left, recover};
use crate::sides::beside::Beside;
use crate::sides::ledger::{self, DiskLedger, left_behind};
use crate::sides::said::{Accompanied, Says, Voices, Wish};
use crate::sides::typed::Typed;
use crate::sides::unrecorded::Unrecorded;

/// What a capture on a real wire needs beside its plan.
#[derive(Debug)]
pub struct CaptureParts {
    /// Where the wire is.
    pub port: Port,
    /// The wish to stop.
    pub stop: Stop,
    /// Lines as they are typed.
    pub typed: Option<Typed>,
    /// A line for every signal that marks the moment.
    pub signalled: Option<Typed>,
}

/// What a person wishes of a capture.
pub(super) struct Wishes<S> {
    pub(super) stop: Stop,
    pub(super) start: Arc<AtomicBool>,
    pub(super) screen: S,
}

impl<S: Says> Wish for Wishes<S> {
    fn start(&mut self) {
        self.start.store(true, Ordering::Release);
    }

    fn stop(&mut self) {
        self.stop.raise("stop");
    }

    fn puzzled(&mut self, why: &str) {
        self.screen.say(why);
    }
}

/// What the driver's thread hands back.
struct Driven {
    end: RunEnd,
    ending: (model::Ending, String),
    kepts: Result<Kepts, Problem>,
}

/// Captures on a wire. What a former run left held is released before anything else is done, the closing of its records
/// included.
pub fn real(plan: &Arc<CapturePlan>, parts: CaptureParts) -> Result<CaptureEnded, Vec<Problem>> {
    let (beside, shown) = Beside::start(plan.screen.clone()).map_err(|problem| vec![problem])?;
    let (begun, has_begun) = channel();
    let status = Status::default();
    let (theirs, told) = (plan.clone(), status.clone());
    let thread =
        spawn_real(
            "wire",
            move |clock| async move { drive(&theirs, parts, beside, told, &begun, clock).await },
        );
    let thread = thread.map_err(|error| vec![program(&error.to_string())])?;
    // A laptop whose lid is shut would stop recording.
    let mut awake = Inhibit::system().begin("a car is recorded");
    recover(&plan.archive, &plan.screen, &has_begun);
    if let Some(complaint) = awake.complaint() {
        plan.screen.say(&complaint);
    }
    let driven = thread.join().unwrap_or_else(|_| Ok(Err(program("the driver's thread panicked"))));
    let driven = driven.map_err(|error| vec![program(&error.to_string())])?;
    let Driven { end, ending, kepts } = driven.map_err(|problem| vec![problem])?;
    let real = end.length;
    let ended = ended(plan, end, ending, kepts, &status, real);
    shown.finish();
    Ok(ended)
}

async fn drive(
    plan: &Arc<CapturePlan>,
    parts: CaptureParts,
    mut screen: Beside,
    status: Status,
    begun: &Sender<()>,
    clock: Clock,
) -> Result<Driven, Problem> {
    let raised = os::priority::raise_this_thread();
    tracing::info!("the wire's thread: {raised}");
    let CaptureParts { port, stop, typed, signalled } = parts;
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
    let start = Arc::new(AtomicBool::new(false));
    let mut first = plan.about.measured.clone();
    first.extend(throttle.map(|text| Event::Remark { text }));
    let keeper = Keeper::begin(
        KeeperParts {
            plan: plan.clone(),
            clock: clock.clone(),
            sync_every: plan.about.sync_every,
            beside: true,
            voice: Box::new(screen.clone()),
            status: status.clone(),
            stop: stop.clone(),
            start: start.clone(),
        },
        first,
    );
    let keeper = match keeper.and_then(KeeperThread::start) {
        Ok(keeper) => keeper,
        // A disk that is full, or an archive that is gone, must not keep back what a former run left held.
        Err(problem) if !left.is_empty() => {
            let (car, station, patience, screen) = (&plan.car, &plan.station, plan.patience, &plan.screen);
            let left = Left { car, station, patience, screen, held: left, ledger };
            left.release_only(&clock, transport, open).await;
            return Err(problem);
        }
        Err(problem) => return Err(problem),
    };
    let (caller, callee) = handoff(&clock, Duration::from_secs(30));
    let voices = Voices { typed, signalled, all_typed: true, ..Voices::default() };
    let wishes = Wishes { stop: stop.clone(), start, screen: screen.clone() };
    let driver = Driver::new(DriverParts {
        clock: clock.clone(),
        transport,
        description,
        script: callee,
        stop: stop.clone(),
        sink: Box::new(keeper.tape(plan, status.clone())),
        ledger: Box::new(DiskLedger::beside(ledger, &left, clock.clone())),
        operator: Box::new(Accompanied::new(Unrecorded, voices, Box::new(wishes))),
        viewer: Box::new(StatusViewer::new(status.clone(), Box::new(screen), keeper.ticker())),
        station: plan.station.clone(),
        session: SessionId::new("capture").expect("a plain word is an id"),
        left_behind: left,
        patience: plan.patience,
        reopen: Some(open),
    });
    // Nobody waits for this any more when the capture is being torn down.
    begun.send(()).ok();
    let asking = ask(plan, caller);
    // Without whoever asks, its side is dropped: the driver then releases what was left, and ends.
    let end = driver.run().await;
    asking?.join().map_err(|_| program("whoever asks for the channels panicked"))?;
    let ending = ending(plan, &end, &stop, &status);
    let kepts = keeper.finish(end.at, ending.0, &ending.1);
    // What is kept decides as well, but a session cannot know more than its own end.
    Ok(Driven { end, ending, kepts })
}

/// Asks for the channels on a thread of its own, until the driver has ended.
pub(super) fn ask(
    plan: &CapturePlan,
    caller: clock::Caller<Command, Reply>,
) -> Result<std::thread::JoinHandle<()>, Problem> {
    let polls: Vec<_> =
        plan.polls().into_iter().map(|(id, period)| Command::Poll { channels: vec![id], period }).collect();
    let body = move || {
        for command in polls.into_iter().chain([Command::KeepReading]) {
            // A driver that is gone has told why.
            if !matches!(caller.call(command), Ok(Reply::Done)) {
                return;
            }
        }
    };
    std::thread::Builder::new().name("asking".into()).spawn(body).map_err(|error| {
        let seen = format!("no thread can be started: {error}");
        Problem::new(ProblemKind::Program, Place::Program, seen, "free memory or raise the limit of threads")
    })
}

fn program(seen: &str) -> Problem {
    Problem::new(ProblemKind::Program, Place::Program, seen, "report this fault")
}
