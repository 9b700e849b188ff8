//! A run against the bench car on a rehearsal clock.

use std::sync::Arc;

use clock::{Clock, Stop, handoff};
use link::transport::Transport;
use link::transport::in_process::InProcess;
use link::{Driver, DriverParts, RunEnd};
use model::{Moment, Problem, Span};
use procedure::{Cancel, Facts};
use record::{Archive, HoldLedger, Recorder};

use super::end::Ended;
use super::plan::{Hooks, Plan};
use super::{script, session};
use crate::bench::{Hands, SharedHands, SharedWorld, Watched, WorldLine};
use crate::sides::facts;
use crate::sides::ledger::{self, DiskLedger, left_behind};
use crate::sides::said::{Accompanied, StopOnly, Voices};
use crate::sides::tape::{Pace, Tape};

/// UTC at the start of every rehearsal: 2026-01-01T00:00:00Z, so that one seed gives one record.
pub const REHEARSAL_UTC: i64 = 1_767_225_600_000_000_000;

/// Entries between driver and recorder; a rehearsal waits when it is full.
const QUEUE: usize = 4_096;

/// How often the journal is synced, on the rehearsal's clock, which runs some thousand times faster than the
/// disk's. What a crash may cost here can be had again by running the same seed.
pub(crate) const SYNC_EVERY: Span = Span::from_secs(300);

/// How the driver's part of a rehearsal came out.
enum Driven {
    Ended(Box<RunEnd>),
    /// The program "crashed": nothing was cleaned up.
    Crashed,
}

/// Runs a plan against a bench car. `None` after a crash asked for by the hooks.
pub fn rehearse(
    plan: &Plan,
    world: SharedWorld,
    hands: SharedHands,
    hooks: Hooks,
) -> Result<Option<Ended>, Vec<Problem>> {
    let real = Clock::real();
    let (mut archive, recovered) = Archive::open(&plan.archive).map_err(|problem| vec![problem])?;
    archive.set_sync_interval(plan.about.sync_every.unwrap_or(SYNC_EVERY));
    for one in &recovered {
        plan.screen.say(&one.to_string());
    }
    let (ledger, outstanding) = ledger::name(&plan.station, &plan.car.description.name)
        .and_then(|name| HoldLedger::open(&plan.archive, &name))
        .map_err(|problem| vec![problem])?;
    let (session, writer) = session::begin(plan, &archive, REHEARSAL_UTC).map_err(|problem| vec![problem])?;
    let recorder = Recorder::start(writer, QUEUE).map_err(|problem| vec![problem])?;
    let handle = recorder.handle();
    let description = Arc::new(plan.car.description.clone());
    let left = left_behind(&outstanding, &description);
    let cancel = Cancel::new();

    let Hooks { transport, ask, operator, crash, stop } = hooks;
    let driven = clock::rehearse(REHEARSAL_UTC, |clock| async move {
        let (caller, callee) = handoff(&clock, plan.script_patience);
        let line = WorldLine::new(world, hands.clone());
        let begun = line.begun();
        let line: Box<dyn Transport> = Box::new(InProcess::new(line));
        let line = match transport {
            Some(wrap) => wrap(line),
            None => line,
        };
        let stop_wish = stop.clone();
        let mut driver = Driver::new(DriverParts {
            clock: clock.clone(),
            transport: line,
            description,
            script: callee,
            stop,
            sink: Box::new(
                Tape::new(handle, Box::new(plan.screen.clone()), Pace::Rehearsal)
                    .tracing(plan.about.wire_trace),
            ),
            ledger: Box::new(DiskLedger::here(ledger, &left, clock.clone())),
            operator: Box::new(Accompanied::new(
                operator.unwrap_or_else(|| Box::new(Hands::new(hands.clone(), begun))),
                Voices { foretold: plan.about.foretold.iter().cloned().collect(), ..Voices::default() },
                Box::new(StopOnly::new(stop_wish, plan.screen.clone())),
            )),
            viewer: Box::new(Watched::new(Box::new(plan.screen.clone()), hands, begun)),
            station: plan.station.clone(),
            session: session.clone(),
            left_behind: left,
            patience: plan.patience,
            reopen: None,
        });
        driver.record(session::started(plan));
        driver.record(clock.anchor().event());
        plan.about.measured.iter().for_each(|one| driver.record(one.clone()));
        let facts = Facts { notes: plan.earlier.clone(), ..facts::of(&plan.car.description) };
        let thread =
            script::start(plan.procedure.clone(), facts, plan.limits.clone(), caller, ask, cancel.clone())?;
        let crash = crash.unwrap_or_default();
        let driven = drive(driver, &crash).await;
        cancel.cancel();
        // A script that was abandoned is not waited for: its thread cannot be ended from outside.
        let report =
            if matches!(driven, Driven::Crashed) || !may_join(&driven) { None } else { thread.join().ok() };
        Ok::<_, Problem>((driven, report, session))
    });
    let (driven, report, session) =
        driven.map_err(|error| vec![program(&error.to_string())])?.map_err(|problem| vec![problem])?;
    let end = match driven {
        Driven::Crashed => return Ok(None),
        Driven::Ended(end) => *end,
    };
    let tape = Tape::new(recorder.handle(), Box::new(plan.screen.clone()), Pace::Rehearsal);
    let real = real.now().since(Moment::ZERO);
    Ok(Some(session::close(plan, recorder, tape, end, report, session, real)))
}

async fn drive(driver: Driver, crash: &Stop) -> Driven {
    tokio::select! {
        biased;
        () = crash.raised() => Driven::Crashed,
        end = driver.run() => Driven::Ended(Box::new(end)),
    }
}

fn may_join(driven: &Driven) -> bool {
    let Driven::Ended(end) = driven else { return false };
    !end.abandoned
}

fn program(seen: &str) -> Problem {
    Problem::new(model::ProblemKind::Program, model::Place::Program, seen, "report this fault")
}
