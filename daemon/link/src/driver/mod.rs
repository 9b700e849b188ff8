//! The driver: the only owner of the wire.
//!
//! It runs the same loop in real time and in rehearsal. Each turn it lets the machines act on what has
//! happened, then waits for the first of: the wish to stop, the script's next command, characters from the
//! wire, a deadline. Whatever happens, holds are released before it ends: on a stop, on a script that ends,
//! fails or goes away, on a lost link, and on a panic of the driver itself.

mod commands;
mod end;
mod entries;
mod freeze;
mod gaps;
mod hold_scope;
mod holds;
mod pending;
mod port;
mod run;
mod samples;
mod sleep;
#[cfg(test)]
mod tests;
mod wire_events;

use std::collections::{BTreeMap, BTreeSet};
use std::fmt;
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::sync::Arc;

use car::Description;
use clock::{Callee, Clock, Stop};
use model::event::ReleaseCause;
use model::{
    ChannelId, Command, Ending, Event, Moment, OutputId, Place, Problem, ProblemKind, Reply, SessionId, Span,
    StationId, StepId,
};
use signal::ChannelFact;
use wire::conductor::{Conductor, Tally};
use wire::kline::Received;

use self::end::Farewell;
use self::entries::Entries;
use self::gaps::Silence;
use self::hold_scope::EndedHold;
use self::holds::{Drop, Guard};
use self::pending::Pending;
use self::port::Port;
use crate::board::Board;
use crate::catch::Catch;
use crate::config;
use crate::journal::Journal;
use crate::sides::{Intent, Ledger, Nobody, Operator, Sink, Viewer};
use crate::times::WireTimes;
use crate::transport::{Reopen, Transport};

/// How long the driver bears with others. The defaults are our choice, no published source: a link that does not
/// come back while a person looks for the plug, and twice the usual freshness of a reading.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Patience {
    /// A link that stays down for this long ends the run.
    pub link: Span,
    /// A drop condition or guard that cannot be judged for this long counts as come true.
    pub unknown: Span,
}

impl Default for Patience {
    fn default() -> Self {
        Self { link: Span::from_secs(15), unknown: Span::from_secs(2) }
    }
}

/// Everything a driver is made of.
pub struct DriverParts {
    /// The clock; its kind decides between rehearsal and real time.
    pub clock: Clock,
    /// The wire.
    pub transport: Box<dyn Transport>,
    /// The controller.
    pub description: Arc<Description>,
    /// The script's commands.
    pub script: Callee<Command, Reply>,
    /// The wish to stop.
    pub stop: Stop,
    /// Who records.
    pub sink: Box<dyn Sink>,
    /// What a restart must release.
    pub ledger: Box<dyn Ledger>,
    /// The person at the car.
    pub operator: Box<dyn Operator>,
    /// Who shows what is going on.
    pub viewer: Box<dyn Viewer>,
    /// The station.
    pub station: StationId,
    /// The session.
    pub session: SessionId,
    /// What a former run left held: released before anything else.
    pub left_behind: Vec<Intent>,
    /// How long the driver bears with others.
    pub patience: Patience,
    /// Opens the wire again after it was lost. Without it a lost wire ends the run.
    pub reopen: Option<Reopen>,
}

impl fmt::Debug for DriverParts {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("DriverParts").field("station", &self.station).finish_non_exhaustive()
    }
}

/// How a driver's run ended.
#[derive(Debug, Clone, PartialEq)]
pub struct RunEnd {
    /// How.
    pub ending: Ending,
    /// Why, where it did not pass.
    pub why: Option<String>,
    /// What was found wrong on the way.
    pub problems: Vec<Problem>,
    /// Counters of the wire.
    pub tally: Tally,
    /// How long exchanges took, and how late this side spoke.
    pub times: WireTimes,
    /// How long it took.
    pub length: Span,
    /// When it ended.
    pub at: Moment,
    /// The sequence number of its last event: what is recorded after it goes on from there.
    pub last_seq: u64,
    /// The script did not come back: its thread must not be waited for.
    pub abandoned: bool,
}

/// The run is over before the script's own end.
#[derive(Debug, Clone)]
struct Over {
    ending: Ending,
    why: String,
}

/// The driver.
pub struct Driver {
    clock: Clock,
    port: Port,
    description: Arc<Description>,
    facts: BTreeMap<ChannelId, ChannelFact>,
    script: Callee<Command, Reply>,
    stop: Stop,
    journal: Journal,
    entries: Entries,
    /// Something is back, and could not be struck out of the ledger.
    ledger_is_behind: bool,
    operator: Box<dyn Operator>,
    viewer: Box<dyn Viewer>,
    patience: Patience,

    conductor: Conductor,
    inbox: Vec<Received>,
    board: Board,
    pending: Pending,
    guards: Vec<Guard>,
    drops: Vec<Drop>,
    /// What the ledger holds: intended and not known to be back.
    intents: BTreeMap<OutputId, Intent>,
    causes: BTreeMap<OutputId, ReleaseCause>,
    wanted: BTreeMap<usize, Span>,
    /// What of it is not read because there is no link.
    silence: Silence,
    /// Holds whose early end the script lives through.
    going_on: BTreeSet<OutputId>,
    /// Holds that have ended under their script, until it has asked for their release.
    ended: Vec<EndedHold>,
    /// Until then a link that is down is not lost.
    silence_until: Moment,
    over: Option<Over>,
    /// The step that is under way.
    step: Option<StepId>,
    abandoned: bool,
    farewell: Farewell,
    problems: Vec<Problem>,
    link_up: bool,
    /// Whether it ever was.
    was_up: bool,
    down_since: Moment,
    /// For how long the computer had slept when this was last looked at.
    slept: Span,
    times: WireTimes,
    /// Something was read since judges last looked.
    fresh: bool,
    shown_at: Moment,
}

impl fmt::Debug for Driver {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("Driver")
            .field("pending", &self.pending)
            .field("over", &self.over)
            .finish_non_exhaustive()
    }
}

impl Driver {
    /// Joins the parts. Nothing is said on the wire before [`Driver::run`].
    pub fn new(parts: DriverParts) -> Self {
        let now = parts.clock.now();
        let facts = config::facts(&parts.description);
        let intents = parts.left_behind.into_iter().map(|intent| (intent.output.clone(), intent)).collect();
        Self {
            conductor: Conductor::new(config::conductor(&parts.description, parts.transport.abilities())),
            slept: parts.clock.slept(),
            clock: parts.clock,
            port: Port::new(parts.transport, parts.reopen),
            description: parts.description,
            facts,
            script: parts.script,
            stop: parts.stop,
            journal: Journal::new(parts.station, parts.session, parts.sink),
            entries: Entries::new(parts.ledger),
            ledger_is_behind: false,
            operator: parts.operator,
            viewer: parts.viewer,
            patience: parts.patience,
            inbox: Vec::new(),
            board: Board::default(),
            pending: Pending::None,
            guards: Vec::new(),
            drops: Vec::new(),
            intents,
            causes: BTreeMap::new(),
            wanted: BTreeMap::new(),
            silence: Silence::default(),
            going_on: BTreeSet::new(),
            ended: Vec::new(),
            silence_until: now,
            over: None,
            step: None,
            abandoned: false,
            farewell: Farewell::Due,
            problems: Vec::new(),
            link_up: false,
            was_up: false,
            down_since: now,
            times: WireTimes::default(),
            fresh: false,
            shown_at: now - Span::from_secs(10),
        }
    }

    /// Records an event of the session around this run: its start, its anchor.
    pub fn record(&mut self, event: Event) {
        let now = self.clock.now();
        self.journal.event(now, event);
    }

    /// Runs until the script has ended and nothing is held. A panic on the way is a fault of this program: it
    /// is recorded, and what was held is released by machines built anew.
    pub async fn run(mut self) -> RunEnd {
        let begun = self.clock.now();
        // The second time is for releasing; what fails then as well will not be mended by a third.
        for _ in 0..2 {
            match Catch(Box::pin(self.begin_and_drive())).await {
                Ok(()) => break,
                Err(panic) => {
                    // Whoever shows or records may be what panicked; a release needs neither.
                    self.viewer = Box::new(Nobody);
                    if catch_unwind(AssertUnwindSafe(|| self.after_panic(&panic))).is_err() {
                        self.journal.mute();
                        self.after_panic(&panic);
                    }
                    self.port.shunned = true;
                }
            }
        }
        self.finish(begun)
    }

    async fn begin_and_drive(&mut self) {
        self.begin();
        self.drive().await;
    }

    fn begin(&mut self) {
        let now = self.clock.now();
        self.port.shunned = false;
        if let Err(error) = self.set_up_port(now) {
            self.transport_lost(now, &error);
            self.end_run(now, Ending::LinkLost, &error.to_string(), ReleaseCause::LinkLost);
        }
        let left: Vec<_> =
            self.intents.values().map(|intent| config::hold(&self.description, intent)).collect();
        self.conductor.trace(self.journal.wants_exchanges());
        self.conductor.start(now, left);
        for (item, period) in self.wanted.clone() {
            self.conductor.want(item, Some(period), now);
        }
    }

    fn after_panic(&mut self, panic: &str) {
        let now = self.clock.now();
        tracing::error!(panic, "the driver panicked; what is held is being released");
        let seen = format!("the driver failed: {panic}");
        self.tell(now, Problem::new(ProblemKind::Program, Place::Program, seen, "report this fault"));
        self.conductor = Conductor::new(config::conductor(&self.description, self.port.abilities()));
        self.inbox.clear();
        self.pending = Pending::None;
        self.drops.clear();
        self.guards.clear();
        self.end_silence(now);
        self.wanted.clear();
        self.link_up = false;
        self.down_since = now;
        self.farewell = Farewell::Done;
        self.end_run(now, Ending::BadInput, "the driver failed", ReleaseCause::ScriptGone);
    }

    /// Records and keeps a problem.
    fn tell(&mut self, now: Moment, problem: Problem) {
        tracing::warn!(%problem);
        self.journal.event(now, Event::Problem { problem: problem.clone() });
        self.problems.push(problem);
    }
}
