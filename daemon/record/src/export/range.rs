//! Which part of a session is wanted: stretches of time, in their order, that do not overlap.

use model::{Event, Moment, Problem, Span};

use super::columns::shown;
use super::options::{ExportOptions, When};
use super::times::Times;
use crate::problem::argument;
use crate::read::Session;

/// The stretches, both ends included; empty only together with a problem.
pub(super) fn plan(
    session: &Session,
    times: &Times,
    options: &ExportOptions,
    problems: &mut Vec<Problem>,
) -> Vec<(Moment, Moment)> {
    let before = problems.len();
    if session.card.first.is_none() {
        problems.push(argument("session", "nothing was recorded in it", "choose another session"));
        return Vec::new();
    }
    let from = options.from.map_or(times.first, |when| moment(times, when));
    let to = options.to.map_or(times.last, |when| match when {
        // The whole of the nanosecond named is wanted, and nothing after it.
        When::Utc(utc) => times.moment_of(utc.saturating_add(1)) - Span(1),
        When::Seconds(_) => moment(times, when),
    });
    let holds = || {
        let length = times.last.since(times.first).as_secs_f64();
        format!(
            "the session holds 0 to {length:.3} s, that is {} to {}",
            times.utc_words(times.first),
            times.utc_words(times.last)
        )
    };
    if from > times.last || to < times.first {
        problems.push(argument("--from", "nothing was recorded in that time", holds()));
    } else if from > to {
        problems.push(argument("--from", "nothing lies between --from and --to", holds()));
    }
    let steps = match options.step.as_deref().map(|step| step_ranges(session, times, step)) {
        None => vec![(times.first, times.last)],
        Some(Ok(ranges)) => ranges,
        Some(Err(problem)) => {
            problems.push(problem);
            return Vec::new();
        }
    };
    let cut = |(start, end): (Moment, Moment)| (start.max(from), end.min(to));
    let ranges: Vec<(Moment, Moment)> =
        steps.into_iter().map(cut).filter(|(start, end)| start <= end).collect();
    if ranges.is_empty() && problems.len() == before {
        let seen = "the step does not lie between --from and --to";
        problems.push(argument("--step", seen, "leave --from and --to out"));
    }
    ranges
}

fn moment(times: &Times, when: When) -> Moment {
    match when {
        When::Seconds(seconds) => times.first + Span::from_secs_f64(seconds),
        When::Utc(utc) => times.moment_of(utc),
    }
}

/// Every time a step was gone through; one that the record ends in lasts to its end.
fn step_ranges(session: &Session, times: &Times, wanted: &str) -> Result<Vec<(Moment, Moment)>, Problem> {
    let mut ranges = Vec::new();
    let mut open = None;
    let mut known: Vec<&str> = Vec::new();
    let mut skipped = None;
    for envelope in &session.events {
        match &envelope.event {
            Event::StepStarted { step, .. } => {
                known.push(step.as_str());
                if step.as_str() == wanted {
                    open.get_or_insert(envelope.at);
                }
            }
            Event::StepEnded { step, .. } if step.as_str() == wanted => {
                ranges.extend(open.take().map(|start| (start, envelope.at)));
            }
            Event::StepSkipped { step, reason } if step.as_str() == wanted => skipped = Some(reason),
            _ => {}
        }
    }
    ranges.extend(open.map(|start| (start, times.last)));
    if !ranges.is_empty() {
        return Ok(ranges);
    }
    let wanted = shown(wanted);
    if let Some(reason) = skipped {
        let seen = format!("the step '{wanted}' was skipped: {reason}");
        return Err(argument("--step", seen, "choose another step"));
    }
    known.sort_unstable();
    known.dedup();
    let cure = match model::nearest(&wanted, known.iter().copied()) {
        Some(near) => format!("did you mean '{near}'?"),
        None if known.is_empty() => "the session has no steps: use --from and --to".into(),
        None => format!("it went through {}", known.join(", ")),
    };
    Err(argument("--step", format!("the session did not go through a step '{wanted}'"), cure))
}
