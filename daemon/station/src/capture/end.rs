//! How a capture ended, for people and for machines.

use std::collections::BTreeMap;

use clock::Stop;
use link::RunEnd;
use model::{ChannelId, Ending, Problem, Span};
use serde::Serialize;

use super::archivist::Kept;
use super::keeper::{BY_ITSELF, Kepts};
use super::plan::CapturePlan;
use super::status::Status;
use crate::sides::screen::{Screen, Style};

/// Who ends a capture as its person wants it.
const BY_HAND: [&str; 2] = ["stop", "Ctrl-C"];

/// How a capture ended.
#[derive(Debug)]
pub struct CaptureEnded {
    /// How.
    pub ending: Ending,
    /// Why.
    pub why: String,
    /// Everything that was wrong.
    pub problems: Vec<Problem>,
    /// What is kept.
    pub sessions: Vec<Kept>,
    /// Readings that are kept.
    pub readings: u64,
    /// Gaps that are kept.
    pub gaps: u64,
    /// Records that were lost.
    pub lost: u64,
    /// Readings a second of channels that were read less often than was asked, with what was asked.
    pub slower: BTreeMap<ChannelId, (f64, f64)>,
    /// How long it took on the station's clock.
    pub length: Span,
    /// How long it took in real time.
    pub real: Span,
}

/// How a capture ends, and why: its own end passes, and so does a person's where no other end was given.
pub(super) fn ending(plan: &CapturePlan, end: &RunEnd, stop: &Stop, status: &Status) -> (Ending, String) {
    let why = || end.why.clone().unwrap_or_else(|| end.ending.to_string());
    let (readings, _, _) = status.counts();
    match stop.by() {
        Some(by) if end.ending == Ending::Stopped && (by == BY_ITSELF || BY_HAND.contains(&by)) => {
            let has_end = plan.length.is_some() || plan.stop_when.is_some();
            if by != BY_ITSELF && has_end {
                return (Ending::Stopped, format!("ended by {by} before its time"));
            }
            // What was never read was not captured, whoever ended it.
            if readings == 0 && plan.start_when.is_none() {
                return (Ending::LinkLost, "nothing was read".into());
            }
            (Ending::Passed, format!("ended by {by}"))
        }
        _ => (end.ending, why()),
    }
}

/// Puts together how it ended.
pub(super) fn ended(
    plan: &CapturePlan,
    end: RunEnd,
    (mut ending, mut why): (Ending, String),
    kepts: Result<Kepts, Problem>,
    status: &Status,
    real: Span,
) -> CaptureEnded {
    let (readings, gaps, lost) = status.counts();
    let mut problems = end.problems;
    let kepts = kepts.unwrap_or_else(|problem| Kepts {
        sessions: Vec::new(),
        begun: true,
        why: None,
        problems: vec![problem],
        name: plan.name.clone(),
    });
    if let Some(own) = kepts.why.filter(|_| ending == Ending::Passed) {
        why = own;
    }
    if !kepts.begun && matches!(ending, Ending::Passed | Ending::Stopped) {
        let gate = plan.start_when.as_ref().map_or("its start", |gate| &gate.words);
        (ending, why) = (Ending::Stopped, format!("nothing is kept: it was ended before {gate}"));
    }
    for problem in &kepts.problems {
        let graver = ending.and(problem.kind.ending());
        if graver != ending {
            (ending, why) = (graver, problem.to_string());
        }
    }
    problems.extend(kepts.problems);
    if lost > 0 {
        let graver = ending.and(Ending::Undecided);
        if graver != ending {
            (ending, why) = (graver, format!("{lost} records were lost between wire and disk"));
        }
    }
    let rates = status.rates();
    let slower = plan.channels.iter().filter_map(|(id, period)| {
        let (got, asked) = (*rates.get(id)?, 1.0 / period.as_secs_f64());
        (got < 0.9 * asked).then(|| (id.clone(), (got, asked)))
    });
    CaptureEnded {
        ending,
        why,
        problems,
        sessions: kepts.sessions,
        readings,
        gaps,
        lost,
        slower: slower.collect(),
        length: end.length,
        real,
    }
}

#[derive(Serialize)]
struct Rate {
    got: f64,
    asked: f64,
}

#[derive(Serialize)]
struct EndLine<'a> {
    kind: &'static str,
    ending: Ending,
    why: &'a str,
    problems: &'a [Problem],
    sessions: &'a [Kept],
    readings: u64,
    gaps: u64,
    lost: u64,
    slower: BTreeMap<&'a ChannelId, Rate>,
    engine_seconds: f64,
    real_seconds: f64,
    peak_resident_bytes: Option<u64>,
}

/// Prints the end.
pub fn print(ended: &CaptureEnded, screen: &Screen) {
    let (engine, real) = (ended.length.as_secs_f64(), ended.real.as_secs_f64());
    if screen.style() == Style::Json {
        let slower = ended.slower.iter().map(|(id, (got, asked))| (id, Rate { got: *got, asked: *asked }));
        let line = EndLine {
            kind: "capture_ended",
            ending: ended.ending,
            why: &ended.why,
            problems: &ended.problems,
            sessions: &ended.sessions,
            readings: ended.readings,
            gaps: ended.gaps,
            lost: ended.lost,
            slower: slower.collect(),
            engine_seconds: engine,
            real_seconds: real,
            peak_resident_bytes: os::process::peak_resident(),
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
    screen.line(&format!("{}: {}", ended.ending, ended.why));
    let lost = if ended.lost == 0 { String::new() } else { format!(", {} lost", ended.lost) };
    screen.line(&format!("{} readings, {} gaps{lost} in {}", ended.readings, ended.gaps, ended.length));
    let share = |(_, (got, asked)): &(&ChannelId, &(f64, f64))| got / asked;
    if let Some((id, (got, asked))) = ended.slower.iter().min_by(|a, b| share(a).total_cmp(&share(b))) {
        screen.line(&format!(
            "the wire could not give all that was asked: {} channels came less often, {id} least with {got:.2} readings \
             a second of {asked:.2}",
            ended.slower.len()
        ));
    }
    for one in &ended.sessions {
        screen.line(&format!("session: {} ({} readings)", one.path.display(), one.readings));
    }
    if ended.sessions.is_empty() {
        screen.line("no session is kept");
    }
}
