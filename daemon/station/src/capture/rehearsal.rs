//! A capture of the bench car on a rehearsal's clock: everything happens where it is called, in the order of the seed.

use std::cell::RefCell;
use std::rc::Rc;
use std::sync::Arc;
use std::sync::atomic::AtomicBool;
use std::time::Duration;

use clock::{Clock, Stop, handoff};
use link::transport::in_process::InProcess;
use link::{Driver, DriverParts};
use model::{Moment, Place, Problem, ProblemKind, SessionId};
use record::HoldLedger;

use super::end::{CaptureEnded, ended, ending};
use super::keeper::{Keeper, KeeperParts};
use super::plan::CapturePlan;
use super::real::{Wishes, ask};
use super::recover::recover_rolling;
use super::status::{Status, StatusViewer};
use super::tape::CaptureTape;
use crate::bench::{SharedHands, SharedWorld, WorldLine};
use crate::run::{REHEARSAL_UTC, SYNC_EVERY};
use crate::sides::ledger::{self, DiskLedger, left_behind};
use crate::sides::said::{Accompanied, Voices};
use crate::sides::unrecorded::Unrecorded;

/// Captures a bench car.
pub fn rehearse(
    plan: &Arc<CapturePlan>,
    world: SharedWorld,
    hands: SharedHands,
    stop: Stop,
) -> Result<CaptureEnded, Vec<Problem>> {
    let real = Clock::real();
    let archive = record::Archive::unrecovered(&plan.archive).map_err(|problem| vec![problem])?;
    recover_rolling(&plan.archive).iter().for_each(|line| plan.screen.say(line));
    for one in archive.recover_all().map_err(|problem| vec![problem])? {
        plan.screen.say(&format!("recovered session {}: {}", one.session, one.path.display()));
    }
    let (ledger, outstanding) = ledger::name(&plan.station, &plan.car.description.name)
        .and_then(|name| HoldLedger::open(&plan.archive, &name))
        .map_err(|problem| vec![problem])?;
    let description = Arc::new(plan.car.description.clone());
    let left = left_behind(&outstanding, &description);
    let status = Status::default();
    let told = status.clone();
    let driven = clock::rehearse(REHEARSAL_UTC, |clock| async move {
        let status = told;
        let (caller, callee) = handoff(&clock, Duration::from_secs(30));
        let start = Arc::new(AtomicBool::new(false));
        let keeper = Keeper::begin(
            KeeperParts {
                plan: plan.clone(),
                clock: clock.clone(),
                sync_every: Some(plan.about.sync_every.unwrap_or(SYNC_EVERY)),
                beside: false,
                voice: Box::new(plan.screen.clone()),
                status: status.clone(),
                stop: stop.clone(),
                start: start.clone(),
            },
            plan.about.measured.clone(),
        )?;
        let keeper = Rc::new(RefCell::new(keeper));
        let ticked = keeper.clone();
        let tick = Box::new(move |now: Moment| ticked.borrow_mut().tick(now));
        let voices = Voices { foretold: plan.about.foretold.iter().cloned().collect(), ..Voices::default() };
        let wishes = Wishes { stop: stop.clone(), start, screen: plan.screen.clone() };
        let driver = Driver::new(DriverParts {
            clock: clock.clone(),
            transport: Box::new(InProcess::new(WorldLine::new(world, hands))),
            description,
            script: callee,
            stop: stop.clone(),
            sink: Box::new(CaptureTape::here(keeper.clone(), plan, status.clone())),
            ledger: Box::new(DiskLedger::here(ledger, &left, clock.clone())),
            operator: Box::new(Accompanied::new(Unrecorded, voices, Box::new(wishes))),
            viewer: Box::new(StatusViewer::new(status.clone(), Box::new(plan.screen.clone()), tick)),
            station: plan.station.clone(),
            session: SessionId::new("capture").expect("a plain word is an id"),
            left_behind: left,
            patience: plan.patience,
            reopen: None,
        });
        let asking = ask(plan, caller)?;
        let end = driver.run().await;
        asking.join().map_err(|_| program("whoever asks for the channels panicked"))?;
        let ending = ending(plan, &end, &stop, &status);
        let keeper = Rc::try_unwrap(keeper).map_err(|_| program("somebody still has the keeper"))?;
        let kepts = keeper.into_inner().finish(end.at, ending.0, &ending.1);
        Ok::<_, Problem>((end, ending, kepts))
    });
    let driven = driven.map_err(|error| vec![program(&error.to_string())])?;
    let (end, ending, kepts) = driven.map_err(|problem| vec![problem])?;
    let real = real.now().since(Moment::ZERO);
    Ok(ended(plan, end, ending, Ok(kepts), &status, real))
}

fn program(seen: &str) -> Problem {
    Problem::new(ProblemKind::Program, Place::Program, seen, "report this fault")
}
