//! One case, run by the real driver on a rehearsal clock.

use std::cell::RefCell;
use std::rc::Rc;
use std::sync::Arc;
use std::time::Duration;

use bench_car::hands::Hands;
use bench_car::{World, WorldError};
use clock::{Caller, RunnerError, Stop, handoff};
use link::transport::in_process::InProcess;
use link::{Driver, DriverParts, Intent, Ledger, Live, Patience, Sink, Viewer};
use model::{
    ChannelId, Command, Event, EventEnvelope, Moment, OutputId, Problem, Quantity, Reply, Sample, SessionId,
    Span, StationId, Unit,
};
use station::bench::{self, WorldLine, share, share_hands};

use crate::case::Case;
use crate::exchanges::{Measured, exchanges, measured};

/// How long a case is measured on the rehearsal's clock: some 500 exchanges at default timing.
const MEASURED: Span = Span::from_secs(60);
/// What goes before: the schedule learns what an exchange costs.
const SETTLING: Span = Span::from_secs(5);
/// How long the first reading may take, wake-up and session included.
const FIRST: Span = Span::from_secs(20);
/// The period asked for: far below what any wire can do, so that it is the wire that limits.
const PERIOD: Span = Span::from_micros(100);
/// The idle valve while it is held, in steps: more than the engine needs, so that it runs on.
const HELD_AT: f64 = 40.0;
/// How long, in real time, the script may compute between two calls.
const SCRIPT_PATIENCE: Duration = Duration::from_secs(60);
/// The name of the pause in which is measured.
const MARK: &str = "measuring";

/// Why a case could not be measured.
#[derive(Debug, thiserror::Error)]
pub enum MeasureError {
    /// The description that a case is made from does not pass its checks.
    #[error("the description of the case: {}", .0.iter().map(ToString::to_string).collect::<Vec<_>>().join("; "))]
    Description(Vec<Problem>),
    /// The bench car cannot be as the case wants it.
    #[error("the bench car: {0}")]
    World(#[from] WorldError),
    /// No rehearsal could be begun.
    #[error("{0}")]
    Runner(#[from] RunnerError),
    /// The run did not come as far as measuring.
    #[error("the run did not come as far as measuring: {0}")]
    Run(String),
}

/// Measures a case on the bench car of a seed.
pub fn measure(case: &Case, seed: u64) -> Result<Measured, MeasureError> {
    measure_for(case, seed, MEASURED)
}

/// The same over another time on the rehearsal's clock.
pub fn measure_for(case: &Case, seed: u64, time: Span) -> Result<Measured, MeasureError> {
    let description = Arc::new(case.description().map_err(MeasureError::Description)?);
    let world = share(World::new(case.world(seed))?);
    let hands = share_hands(Hands::new(seed));
    let marks = Rc::new(RefCell::new(None));
    let id = |name: &&str| ChannelId::new(name).expect("the cases name channels by their ids");
    let channels: Vec<ChannelId> = case.channels.iter().map(id).collect();
    let held = case.held;
    let (at, line) = (marks.clone(), WorldLine::new(world.clone(), hands.clone()));
    let parts = description.clone();
    let (end, script) = clock::rehearse(0, |clock| async move {
        let (caller, callee) = handoff(&clock, SCRIPT_PATIENCE);
        let begun = line.begun();
        let driver = Driver::new(DriverParts {
            clock: clock.clone(),
            transport: Box::new(InProcess::new(line)),
            description: parts,
            script: callee,
            stop: Stop::new(),
            sink: Box::new(Marks(at)),
            ledger: Box::new(NoLedger),
            operator: Box::new(bench::Hands::new(hands, begun)),
            viewer: Box::new(Nobody),
            station: StationId::new("bench").expect("a plain word is an id"),
            session: SessionId::new("wire-use").expect("a plain word is an id"),
            left_behind: Vec::new(),
            patience: Patience::default(),
            reopen: None,
        });
        let script = std::thread::spawn(move || ask(&caller, &channels, held, time));
        let end = driver.run().await;
        (end, script.join())
    })?;
    match script {
        Ok(Ok(())) => {}
        Ok(Err(why)) => return Err(MeasureError::Run(why)),
        Err(_) => return Err(MeasureError::Run("its script panicked".into())),
    }
    let from = marks.borrow().ok_or_else(|| MeasureError::Run(format!("it ended: {:?}", end.why)))?;
    let all = exchanges(world.borrow().log());
    measured(&all, from, from + time, case.gaps(&description), description.link.baud)
        .ok_or_else(|| MeasureError::Run("nothing was exchanged while it was measured".into()))
}

/// What a script would do: has the wire filled, holds where the case wants it, lets the time pass.
fn ask(
    caller: &Caller<Command, Reply>,
    channels: &[ChannelId],
    held: bool,
    time: Span,
) -> Result<(), String> {
    let ask = |command: Command| match caller.call(command) {
        Ok(Reply::Refused { problem }) => Err(problem.to_string()),
        Ok(Reply::Over { why, .. }) => Err(why),
        Ok(reply) => Ok(reply),
        Err(gone) => Err(gone.to_string()),
    };
    ask(Command::Poll { channels: channels.to_vec(), period: PERIOD })?;
    for channel in channels.iter().cloned() {
        if let Reply::Latest { sample: None } = ask(Command::Latest { channel, within: FIRST })? {
            return Err(format!("a first reading did not come within {FIRST}"));
        }
    }
    let output = OutputId::new("idle_valve").expect("a plain word is an id");
    if held {
        let value = Quantity::new(HELD_AT, Unit::new("{step}").expect("a UCUM code"));
        let at_most = SETTLING + time + FIRST;
        let drop_if = Vec::new();
        ask(Command::Engage { output: output.clone(), value, at_most, drop_if, goes_on: false })?;
    }
    ask(Command::Pause { words: "settling".into(), time: SETTLING })?;
    ask(Command::Pause { words: MARK.into(), time })?;
    if held {
        ask(Command::Release { output })?;
    }
    Ok(())
}

/// Keeps the moment from which is measured.
struct Marks(Rc<RefCell<Option<Moment>>>);

impl Sink for Marks {
    fn sample(&mut self, _: &Sample) {}

    fn event(&mut self, event: &EventEnvelope) {
        if matches!(&event.event, Event::Paused { words, .. } if words == MARK) {
            *self.0.borrow_mut() = Some(event.at);
        }
    }
}

/// Nothing outlives a rehearsal in memory: there is no restart that would have to release anything.
struct NoLedger;

impl Ledger for NoLedger {
    fn intend(&mut self, _: Moment, _: &Intent) -> Result<(), Problem> {
        Ok(())
    }

    fn cleared(&mut self, _: &OutputId) -> Result<(), Problem> {
        Ok(())
    }
}

struct Nobody;

impl Viewer for Nobody {
    fn show(&mut self, _: &Live<'_>) {}
}
