//! Running a script from its first line to its ending.

use std::panic::{AssertUnwindSafe, catch_unwind};
use std::sync::Arc;

use model::{Ending, Place, Problem, ProblemKind, Reply};
use rhai::{EvalAltResult, Position};

use super::compile::Script;
use super::explain::{explain, innermost};
use super::fault::panicked;
use super::shared::Shared;
use super::state::State;
use super::{Scripted, engine};
use crate::facts::Facts;
use crate::limits::{Cancel, Limits, MemoryMeter};
use crate::report::{Header, RunReport};
use crate::room::remote::{Ask, Remote};
use crate::room::{Fail, HoldEnd};

/// Runs a script on the calling thread, which needs a stack of [`crate::STACK_BYTES`].
///
/// Returns when the script has ended, in whatever way; every output it took over has been given back by then,
/// unless the asked side said that the run is over and does that itself. `memory` must count what the calling
/// thread holds.
pub fn run(
    script: &Script,
    facts: &Facts,
    ask: impl Ask + Send + 'static,
    cancel: Cancel,
    memory: MemoryMeter,
    limits: &Limits,
) -> RunReport {
    let room = Remote::new(ask, facts.notes.clone());
    let state = State::new(Box::new(room), facts.clone(), false);
    let shared = Arc::new(Shared::new(script.name.clone(), limits.clone(), cancel, state));
    let result = execute(script, &shared, memory);
    shared.close_all();
    report(&shared, result)
}

/// Reads what a script says of itself, without a car: it is run up to the end of its header.
pub fn header(script: &Script, limits: &Limits) -> Result<Header, Vec<Problem>> {
    let nobody = |_| Reply::Over { ending: Ending::BadInput, why: "only the header is read".into() };
    let state = State::new(Box::new(Remote::new(nobody, Default::default())), Facts::default(), true);
    let shared = Arc::new(Shared::new(script.name.clone(), limits.clone(), Cancel::new(), state));
    let result = execute(script, &shared, MemoryMeter::new(|| 0));
    let report = report(&shared, result);
    match report.header {
        Some(header) if report.problems.is_empty() => Ok(header),
        _ => Err(report.problems),
    }
}

fn execute(script: &Script, shared: &Arc<Shared>, memory: MemoryMeter) -> Scripted<()> {
    catch_unwind(AssertUnwindSafe(|| engine::full(shared, memory).run_ast(&script.ast))).unwrap_or_else(
        |payload| Err(shared.end(Fail::Broken(vec![panicked(payload.as_ref())]), Position::NONE)),
    )
}

fn report(shared: &Shared, result: Scripted<()>) -> RunReport {
    let mut ending = Ending::Passed;
    let mut why = String::new();
    let mut place = None;
    let mut problems = Vec::new();
    let at = result.as_ref().err().map(|error| error.position());

    // An end that came from the host says more than the error that carried it through the interpreter.
    if let Some(mut kill) = shared.killed() {
        let here = at.map(|at| shared.place(at));
        for problem in kill.problems.iter_mut().filter(|p| p.place == Place::Program) {
            problem.place.clone_from(here.as_ref().unwrap_or(&Place::Program));
        }
        ending = ending.and(kill.ending);
        why = kill.why;
        place = kill.place.or(here);
        problems = kill.problems;
    }
    // An end of a hold that came up to here was lived through by nobody.
    if let Err(error) = &result
        && why.is_empty()
        && let EvalAltResult::ErrorTerminated(value, at) = innermost(error)
        && let Some(end) = value.clone().try_cast::<HoldEnd>()
    {
        ending = ending.and(Ending::Stopped);
        why = format!("{} was given back: {}", end.output, end.why);
        place = Some(shared.place(*at));
    }
    match result {
        Err(error) if !matches!(innermost(&error), EvalAltResult::ErrorTerminated(..)) => {
            let problem = explain(*error, shared);
            let graver = ending.and(problem.kind.ending());
            if why.is_empty() || graver != ending {
                why = problem.seen.clone();
                place = Some(problem.place.clone());
            }
            ending = graver;
            problems.insert(0, problem);
        }
        _ => {}
    }

    let state = shared.state();
    let note = |key: &str| Some((key.to_string(), state.room.get(key)?.clone()));
    let notes = state.room.keys().into_iter().filter_map(note).collect();
    if ending == Ending::Passed && state.header.is_none() {
        let file = Place::File { file: shared.file.clone(), line: 0, column: 0 };
        let problem = Problem::new(
            ProblemKind::Script,
            file.clone(),
            "the script ends without saying what it is",
            "begin with procedure(\"name\", #{ title: … })",
        );
        (ending, why, place) = (Ending::BadInput, problem.seen.clone(), Some(file));
        problems.push(problem);
    }
    if let Some(first) = state.undecided.first() {
        if ending == Ending::Passed {
            why.clone_from(first);
        }
        ending = ending.and(Ending::Undecided);
    }
    RunReport {
        ending,
        why,
        place,
        problems,
        header: state.header.clone(),
        steps: state.steps.clone(),
        notes,
    }
}
