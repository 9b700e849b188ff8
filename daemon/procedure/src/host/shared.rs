//! The one object behind all host functions of a run, and the rules every host call obeys.
//!
//! A run that has been ended stays ended: the reason is latched, every further host call and the next operation
//! of the interpreter return it again, so that a script that catches one error does not get away with it.

use std::panic::{AssertUnwindSafe, catch_unwind};
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Mutex, MutexGuard, PoisonError};

use model::{Ending, Place, Problem, ProblemKind};
use rhai::{Dynamic, EvalAltResult, FnPtr, NativeCallContext, Position};

use super::Scripted;
use super::fault::{Fault, panicked};
use super::state::State;
use crate::limits::{Cancel, Limits};
use crate::room::{Fail, Halt};

/// Why a run was ended from outside the script's own logic.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Kill {
    pub(crate) ending: Ending,
    pub(crate) why: String,
    pub(crate) place: Option<Place>,
    pub(crate) problems: Vec<Problem>,
}

#[derive(Debug)]
pub(crate) struct Shared {
    pub(crate) file: String,
    pub(crate) limits: Limits,
    cancel: Cancel,
    state: Mutex<State>,
    kill: Mutex<Option<Kill>>,
    /// Whether `kill` is set; looked at after every operation of the interpreter, where a lock would cost.
    ended: AtomicBool,
}

impl Shared {
    pub(crate) fn new(file: String, limits: Limits, cancel: Cancel, state: State) -> Self {
        Self {
            file,
            limits,
            cancel,
            state: Mutex::new(state),
            kill: Mutex::new(None),
            ended: AtomicBool::new(false),
        }
    }

    /// The state. A panic in a host call leaves the lock poisoned but the state usable: what is held is entered
    /// before it is asked for, so that the release that follows knows of it.
    pub(crate) fn state(&self) -> MutexGuard<'_, State> {
        self.state.lock().unwrap_or_else(PoisonError::into_inner)
    }

    pub(crate) fn killed(&self) -> Option<Kill> {
        self.kill.lock().unwrap_or_else(PoisonError::into_inner).clone()
    }

    /// One host call: refused after the end, never panics, ends the run where its failure says so.
    pub(crate) fn call<T>(
        &self,
        ctx: &NativeCallContext<'_>,
        body: impl FnOnce(&mut State) -> Result<T, Fail>,
    ) -> Scripted<T> {
        self.call_at(ctx.call_position(), body)
    }

    pub(crate) fn call_at<T>(
        &self,
        at: Position,
        body: impl FnOnce(&mut State) -> Result<T, Fail>,
    ) -> Scripted<T> {
        if self.must_end() {
            return Err(terminated(at));
        }
        self.state().last = at;
        match self.guarded(body) {
            Ok(value) => Ok(value),
            Err(Fail::Refused(problem)) => {
                let fault = Fault(self.located(problem, at));
                Err(EvalAltResult::ErrorRuntime(Dynamic::from(fault), at).into())
            }
            Err(Fail::HoldEnded(end)) => Err(EvalAltResult::ErrorTerminated(Dynamic::from(end), at).into()),
            Err(fail) => Err(self.end(fail, at)),
        }
    }

    /// A call that gives something back or closes it: made even after the run was ended, unless the other side
    /// said that it is over. Every failure ends the run.
    pub(crate) fn tidy(
        &self,
        at: Position,
        body: impl FnOnce(&mut State) -> Result<(), Fail>,
    ) -> Scripted<()> {
        if self.state().over {
            return Ok(());
        }
        self.guarded(body).map_err(|fail| self.end(fail, at))
    }

    /// Runs a closure of the script. A panic inside the interpreter becomes an end of the run like any other,
    /// so that what surrounds the closure is given back on the way out.
    pub(crate) fn body(&self, ctx: &NativeCallContext<'_>, closure: &FnPtr) -> Scripted<Dynamic> {
        catch_unwind(AssertUnwindSafe(|| closure.call_within_context::<Dynamic>(ctx, ()))).unwrap_or_else(
            |payload| Err(self.end(Fail::Broken(vec![panicked(payload.as_ref())]), ctx.call_position())),
        )
    }

    fn guarded<T>(&self, body: impl FnOnce(&mut State) -> Result<T, Fail>) -> Result<T, Fail> {
        let mut result = catch_unwind(AssertUnwindSafe(|| body(&mut self.state())))
            .unwrap_or_else(|payload| Err(Fail::Broken(vec![panicked(payload.as_ref())])));
        if let Err(Fail::Over(halt)) = &mut result {
            self.state().over = true;
            // A script that did not come to its end has not passed, whatever the other side says.
            if halt.ending == Ending::Passed {
                halt.ending = Ending::Stopped;
            }
        }
        result
    }

    /// Whether the run has been ended or must end now because it was cancelled.
    pub(crate) fn must_end(&self) -> bool {
        if self.ended.load(Ordering::Acquire) {
            return true;
        }
        if self.cancel.is_cancelled() {
            let why = "it was stopped from outside".into();
            self.latch(Kill { ending: Ending::Stopped, why, place: None, problems: Vec::new() });
        }
        self.ended.load(Ordering::Acquire)
    }

    /// Ends the run for this reason and gives the error that carries the end through the interpreter.
    pub(crate) fn end(&self, fail: Fail, at: Position) -> Box<EvalAltResult> {
        let kill = match fail {
            Fail::Over(halt) | Fail::Halt(halt) => self.halted(halt, at),
            Fail::Refused(problem) => self.broken(vec![problem], at),
            // Told to a call that only tidies up after the hold: it says what is known already.
            Fail::HoldEnded(end) => {
                let why = format!("{} was given back: {}", end.output, end.why);
                Kill { ending: Ending::Stopped, why, place: Some(self.place(at)), problems: Vec::new() }
            }
            Fail::Broken(problems) => self.broken(problems, at),
        };
        self.latch(kill);
        terminated(at)
    }

    fn halted(&self, halt: Halt, at: Position) -> Kill {
        let found = match halt.ending {
            Ending::CarNotRight => Some((ProblemKind::Car, "put it right, then run the procedure again")),
            Ending::LinkLost => {
                Some((ProblemKind::Link, "check plug, adapter and ignition, then run it again"))
            }
            Ending::BadInput => Some((ProblemKind::Program, "see what the station reported")),
            Ending::Stopped | Ending::Undecided | Ending::Passed => None,
        };
        let place = self.place(at);
        let problems = found
            .map(|(kind, cure)| Problem::new(kind, place.clone(), halt.why.clone(), cure))
            .into_iter()
            .collect();
        Kill { ending: halt.ending, why: halt.why, place: Some(place), problems }
    }

    fn broken(&self, problems: Vec<Problem>, at: Position) -> Kill {
        let problems: Vec<Problem> = problems.into_iter().map(|p| self.located(p, at)).collect();
        let ending = problems.iter().fold(Ending::Passed, |e, p| e.and(p.kind.ending()));
        let why = problems.first().map(|p| p.seen.clone()).unwrap_or_default();
        Kill { ending, why, place: Some(self.place(at)), problems }
    }

    /// Keeps the first reason; a later one adds its problems and counts where it is graver.
    pub(crate) fn latch(&self, new: Kill) {
        let mut slot = self.kill.lock().unwrap_or_else(PoisonError::into_inner);
        match slot.as_mut() {
            None => *slot = Some(new),
            Some(first) => {
                let ending = first.ending.and(new.ending);
                if ending != first.ending {
                    first.ending = ending;
                    first.why = new.why;
                    first.place = new.place;
                }
                first.problems.extend(new.problems);
            }
        }
        self.ended.store(true, Ordering::Release);
    }

    /// The problem with the spot in the script as its place; a place it had before moves into its words.
    fn located(&self, mut problem: Problem, at: Position) -> Problem {
        let before = std::mem::replace(&mut problem.place, self.place(at));
        if before != Place::Program {
            problem.seen = format!("{before}: {}", problem.seen);
        }
        problem
    }

    pub(crate) fn place(&self, at: Position) -> Place {
        let number = |n: Option<usize>| n.and_then(|n| u32::try_from(n).ok()).unwrap_or(0);
        Place::File { file: self.file.clone(), line: number(at.line()), column: number(at.position()) }
    }
}

fn terminated(at: Position) -> Box<EvalAltResult> {
    EvalAltResult::ErrorTerminated(Dynamic::UNIT, at).into()
}
