//! How a run ended, for people and for machines.

use std::path::PathBuf;

use link::RunEnd;
use model::{Cause, Ending, Problem, SessionId, Span};
use procedure::RunReport;
use serde::Serialize;

use crate::sides::screen::{Screen, Style};

/// How a run ended.
#[derive(Debug)]
pub struct Ended {
    /// How.
    pub ending: Ending,
    /// Why, where it did not pass.
    pub why: Option<String>,
    /// Everything that was wrong.
    pub problems: Vec<Problem>,
    /// The session.
    pub session: SessionId,
    /// Where its record lies.
    pub path: Option<PathBuf>,
    /// What the data point to, most likely first; empty for a run that passed or was broken off.
    pub causes: Vec<Cause>,
    /// How long it took on the station's clock.
    pub length: Span,
    /// How long it took in real time.
    pub real: Span,
    /// What the driver said.
    pub driver: RunEnd,
    /// What the script's host said; none for a script that went away.
    pub script: Option<RunReport>,
}

#[derive(Serialize)]
struct EndLine<'a> {
    kind: &'static str,
    ending: Ending,
    why: Option<&'a str>,
    problems: &'a [Problem],
    causes: &'a [Cause],
    session: &'a SessionId,
    path: Option<String>,
    engine_seconds: f64,
    real_seconds: f64,
    times_real_time: f64,
}

impl Ended {
    /// How many times faster than real time it ran.
    pub fn speed(&self) -> f64 {
        self.length.as_secs_f64() / self.real.as_secs_f64().max(1e-9)
    }
}

/// Prints the end.
pub fn print(ended: &Ended, screen: &Screen) {
    if screen.style() == Style::Json {
        let line = EndLine {
            kind: "run_ended",
            ending: ended.ending,
            why: ended.why.as_deref(),
            problems: &ended.problems,
            causes: &ended.causes,
            session: &ended.session,
            path: ended.path.as_ref().map(|path| path.display().to_string()),
            engine_seconds: ended.length.as_secs_f64(),
            real_seconds: ended.real.as_secs_f64(),
            times_real_time: ended.speed(),
        };
        match serde_json::to_string(&line) {
            Ok(text) => screen.line(&text),
            Err(error) => tracing::error!(%error, "the end could not be written as JSON"),
        }
        return;
    }
    screen.line("");
    for problem in &ended.problems {
        screen.line(&format!("problem: {problem}"));
    }
    match &ended.why {
        Some(why) if ended.problems.is_empty() => screen.line(&format!("{}: {why}", ended.ending)),
        _ => screen.line(&ended.ending.to_string()),
    }
    if let Some(path) = &ended.path {
        screen.line(&format!("session: {}", path.display()));
    }
    // In real time the one is the other.
    let faster = if ended.speed() < 1.5 {
        format!("{} in real time", ended.length)
    } else {
        let (took, speed) = (ended.real.as_millis_f64(), ended.speed());
        format!("{} of engine time in {took:.0} ms: {speed:.0} times faster than real time", ended.length)
    };
    screen.line(&faster);
}
