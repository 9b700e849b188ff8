//! One case, run by the real driver on a rehearsal clock.

use std::cell::RefCell;
use std::rc::Rc;
use std::sync::Arc;
use std::time::Duration;

use bench_car::hands::Hands;
use bench_car::{World, WorldError};
use clock::{RunnerError, Stop, handoff};
use link::transport::in_process::InProcess;
use link::{Driver, DriverParts, Patience};
use model::{Problem, SessionId, Span, StationId};
use station::bench::{self, WorldLine, share, share_hands};

use crate::case::Case;
use crate::exchanges::{Measured, exchanges, measured};
use crate::script::{Task, ask};
use crate::stand_ins::{Marks, NoLedger, Nobody};

/// How long a case is measured on the rehearsal's clock: some 500 exchanges at default timing.
const MEASURED: Span = Span::from_secs(60);
/// What goes before: the schedule learns what an exchange costs.
const SETTLING: Span = Span::from_secs(5);
/// How long, in real time, the script may compute between two calls.
pub(crate) const SCRIPT_PATIENCE: Duration = Duration::from_secs(60);

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
    let task = Task::of(case, SETTLING, time);
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
        let script = std::thread::spawn(move || ask(&caller, &task));
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
