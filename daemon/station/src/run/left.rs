//! What a former run has left: an output that it held, and records that it did not close.

use std::path::Path;
use std::sync::Arc;
use std::sync::mpsc::Receiver;
use std::time::Duration;

use clock::{Clock, Stop, handoff};
use link::transport::{Reopen, Transport};
use link::{Driver, DriverParts, Intent, Patience};
use model::{Command, ProblemKind, Reply, SessionId, StationId};
use record::{Archive, HoldLedger};

use crate::capture::recover_rolling;
use crate::load::Car;
use crate::sides::ledger::DiskLedger;
use crate::sides::screen::Screen;
use crate::sides::unrecorded::Unrecorded;

/// Closes what a crash left as soon as the driver is at work on the wire.
pub(crate) fn recover(archive: &Path, screen: &Screen, has_begun: &Receiver<()>) {
    // A driver that could not begin says why when its thread is joined.
    if has_begun.recv().is_err() {
        return;
    }
    let (told, recovered) = (recover_rolling(archive), Archive::unrecovered(archive));
    told.iter().for_each(|line| screen.say(line));
    match recovered.and_then(|archive| archive.recover_all()) {
        Ok(recovered) => {
            for one in recovered {
                screen.say(&one.to_string());
            }
        }
        Err(problem) => screen.say(&format!("problem: {problem}")),
    }
}

/// Where something was left, and how it is reached.
pub(crate) struct Left<'a> {
    /// The car.
    pub(crate) car: &'a Car,
    /// The station.
    pub(crate) station: &'a StationId,
    /// How long the driver bears with others.
    pub(crate) patience: Patience,
    /// Where it is told.
    pub(crate) screen: &'a Screen,
    /// What was left held.
    pub(crate) held: Vec<Intent>,
    /// The ledger that says so.
    pub(crate) ledger: HoldLedger,
}

impl Left<'_> {
    /// Gives back what a former run left held, with nothing recorded and nobody asked.
    pub(crate) async fn release_only(self, clock: &Clock, transport: Box<dyn Transport>, open: Reopen) {
        // No script: its side is dropped, and all that the driver has to do is release.
        let (_, callee) = handoff::<Command, Reply>(clock, Duration::from_secs(30));
        let driver = Driver::new(DriverParts {
            clock: clock.clone(),
            transport,
            description: Arc::new(self.car.description.clone()),
            script: callee,
            stop: Stop::new(),
            sink: Box::new(Unrecorded),
            ledger: Box::new(DiskLedger::here(self.ledger, &self.held, clock.clone())),
            operator: Box::new(Unrecorded),
            viewer: Box::new(self.screen.clone()),
            station: self.station.clone(),
            session: SessionId::new("release").expect("a plain word is an id"),
            left_behind: self.held,
            patience: self.patience,
            reopen: Some(open),
        });
        let end = driver.run().await;
        match end.problems.iter().find(|problem| problem.kind == ProblemKind::Release) {
            Some(problem) => self.screen.say(&format!("problem: {problem}")),
            None => self.screen.say("what a former run left held is given back"),
        }
    }
}
