//! A run's session: how it begins, and how it is closed with what only its end knows.

use link::{RunEnd, Sink};
use model::{Cause, Ending, Event, EventEnvelope, Problem, SCHEMA_VERSION, SessionId, Span};
use procedure::RunReport;
use record::{Archive, Recorder, SessionHead};
use report::findings::judge;

use super::end::Ended;
use super::plan::Plan;
use crate::sides::facts;
use crate::sides::tape::Tape;

/// The first event of a session.
pub(super) fn started(plan: &Plan) -> Event {
    Event::SessionStarted {
        procedure: Some(plan.procedure.name.clone()),
        car: plan.car.description.name.clone(),
        description_sha256: plan.car.sha256.clone(),
        script_sha256: Some(plan.procedure.sha256.clone()),
        program: env!("CARGO_PKG_VERSION").to_string(),
        tags: plan.tags.clone(),
    }
}

/// Begins a session under the plan's name, or under that name with the first free number behind it: what is
/// in the archive is never overwritten.
pub(super) fn begin(
    plan: &Plan,
    archive: &Archive,
    utc_nanos: i64,
) -> Result<(SessionId, record::SessionWriter), Problem> {
    let closed = archive.sessions()?;
    let mut taken: Vec<String> =
        closed.iter().filter_map(|path| Some(path.file_name()?.to_str()?.to_string())).collect();
    taken.extend(archive.unclosed()?);
    let mut name = plan.session.clone();
    let mut number = 2;
    while taken.contains(&name) {
        name = format!("{}-{number}", plan.session);
        number += 1;
    }
    let session = SessionId::new(&name).map_err(|error| {
        let place = model::Place::Argument { name: "session".into() };
        Problem::new(model::ProblemKind::Argument, place, error.to_string(), "choose another name")
    })?;
    let writer = archive.begin(SessionHead {
        session: session.clone(),
        station: plan.station.clone(),
        car: plan.car.description.name.clone(),
        procedure: Some(plan.procedure.name.clone()),
        program: env!("CARGO_PKG_VERSION").to_string(),
        utc_nanos,
        job: plan.about.job.clone(),
        tags: plan.tags.clone(),
        description_sha256: plan.car.sha256.clone(),
        script_sha256: Some(plan.procedure.sha256.clone()),
        channels: facts::channel_heads(&plan.car.description),
    })?;
    Ok((session, writer))
}

/// Closes the session, with what only its end knows: what the script's host found wrong, and the ending.
pub(super) fn close(
    plan: &Plan,
    recorder: Recorder,
    mut tape: Tape,
    end: RunEnd,
    script: Option<RunReport>,
    session: SessionId,
    real: Span,
) -> Ended {
    let mut ending = end.ending;
    let mut why = end.why.clone();
    let mut problems = end.problems.clone();
    let mut coda = Vec::new();
    if let Some(report) = &script {
        let graver = ending.and(report.ending);
        if graver != ending || why.is_none() {
            why = Some(report.why.clone()).filter(|why| !why.is_empty()).or(why);
        }
        ending = graver;
        problems.retain(|problem| !report.problems.iter().any(|told| told.seen == problem.seen));
        problems.extend(report.problems.iter().cloned());
        coda.extend(report.problems.iter().map(|problem| Event::Problem { problem: problem.clone() }));
    }
    // A run that passed points to nothing, and one that was broken off has not looked at all of it.
    let told = matches!(ending, Ending::CarNotRight | Ending::Undecided);
    let causes = if told { causes(plan, script.as_ref()) } else { Vec::new() };
    if !causes.is_empty() {
        coda.push(Event::Causes { causes: causes.clone() });
    }
    coda.push(Event::SessionEnded { ending });
    for (seq, event) in (end.last_seq + 1..).zip(coda) {
        tape.event(&EventEnvelope {
            schema: SCHEMA_VERSION,
            seq,
            station: plan.station.clone(),
            session: session.clone(),
            at: end.at,
            event,
        });
    }
    drop(tape);
    let path = match recorder.finish(ending) {
        Ok(closed) => Some(closed.path),
        Err(problem) => {
            ending = ending.and(problem.kind.ending());
            problems.push(problem);
            None
        }
    };
    let length = end.length;
    Ended { ending, why, problems, session, path, length, real, causes, driver: end, script }
}

/// What the run's notes point to.
fn causes(plan: &Plan, script: Option<&RunReport>) -> Vec<Cause> {
    let (Some(rules), Some(report)) = (&plan.procedure.findings, script) else { return Vec::new() };
    judge(rules, &report.notes, &facts::levels(&plan.car.description))
}
