//! A stand-in for the station: records every command and answers by rules, else as a healthy car would.

use std::collections::BTreeMap;
use std::sync::{Arc, Mutex, PoisonError};

use model::event::{Outcome, ReleaseProof};
use model::judgement::Finding;
use model::{
    ChannelId, Command, Ending, Estimate, Judgement, Moment, OutputId, Place, Problem, ProblemKind, Quality,
    Quantity, Reply, Sample, Span, TracePoint, Uncertainty, Unit, Wanted, Word,
};
use procedure::{Ask, Cancel, Facts, Limits, MemoryMeter, OutputFact, RunReport, SetupFact, compile, run};

/// Everything that was asked, in order.
#[derive(Clone, Default)]
pub(crate) struct Log(Arc<Mutex<Vec<Command>>>);

impl Log {
    fn push(&self, command: Command) -> usize {
        let mut log = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        log.push(command);
        log.len() - 1
    }

    pub(crate) fn commands(&self) -> Vec<Command> {
        self.0.lock().unwrap_or_else(PoisonError::into_inner).clone()
    }

    /// The commands in short: `engage idle_valve`, `wait`, `remark "text"`.
    pub(crate) fn words(&self) -> Vec<String> {
        self.commands().iter().map(word).collect()
    }
}

fn word(command: &Command) -> String {
    match command {
        Command::Poll { channels, period } => format!("poll {} every {period}", channels.len()),
        Command::KeepReading => "keep reading".into(),
        Command::Rest { channels } => format!("rest {}", channels.len()),
        Command::Wait { gate } => {
            let names: Vec<&str> = gate.condition.watches().iter().map(|w| w.channel.as_str()).collect();
            format!("wait {} up to {}", names.join("+"), gate.limit)
        }
        Command::Measure { channel, name, over } => format!("measure {channel} '{name}' {over}"),
        Command::Latest { channel, within } => format!("latest {channel} {within}"),
        Command::Engage { output, value, at_most, drop_if, .. } => {
            format!("engage {output} {value} {at_most} guards={}", drop_if.len())
        }
        Command::Release { output } => format!("release {output}"),
        Command::ReadCodes => "read codes".into(),
        Command::Guard { conditions } => format!("guard {}", conditions.len()),
        Command::BeginStep { step, .. } => format!("begin {step}"),
        Command::EndStep { step, ending } => format!("end {step}: {ending}"),
        Command::SkipStep { step, reason } => format!("skip {step}: {reason}"),
        Command::Caution { lines } => format!("caution {}", lines.len()),
        Command::Prompt { act, target, .. } => format!("prompt {act} {target}"),
        Command::Trace { channel, name, over } => format!("trace {channel} '{name}' {over}"),
        Command::Forecast { channel, level } => format!("forecast {channel} {level}"),
        Command::HoldLeft { output } => format!("hold left {output}"),
        Command::Extend { output, by } => format!("extend {output} by {by}"),
        Command::Pause { words, time } => format!("pause {time} {words}"),
        Command::BearSilence { time } => format!("bear silence {time}"),
        Command::ReadFreezeFrame => "read freeze frame".into(),
        Command::Instruct { act, target, .. } => format!("instruct {act} {target}"),
        Command::Call { text } => format!("call {text}"),
        Command::Result { name, finding } => format!("result {name}: {finding}"),
        Command::Note { key, value } => format!("note {key} {value:?}"),
        Command::Remark { text } => format!("remark {text}"),
        Command::Stop { by } => format!("stop by {by}"),
    }
}

/// A station that answers by the rule, and where it says nothing as a healthy car would.
pub(crate) fn station(
    mut rule: impl FnMut(usize, &Command) -> Option<Reply> + Send + 'static,
) -> (impl Ask + Send + 'static, Log) {
    let log = Log::default();
    let kept = log.clone();
    let ask = move |command: Command| {
        let n = kept.push(command.clone());
        rule(n, &command).unwrap_or_else(|| healthy(&command))
    };
    (ask, log)
}

fn healthy(command: &Command) -> Reply {
    match command {
        Command::Wait { gate } => {
            waited(gate.condition.watches()[0].channel.as_str(), Outcome::Met, Word::Proven)
        }
        Command::Measure { channel, .. } => {
            Reply::Measured { estimate: Some(estimate(channel)), readings: 25, rate: 5.0 }
        }
        Command::Latest { channel, .. } => Reply::Latest { sample: Some(sample(channel, Quality::Good)) },
        Command::Engage { at_most, .. } => Reply::Engaged { until: Moment::ZERO + *at_most },
        Command::Trace { channel, .. } => {
            let value = estimate(channel).value;
            let point = |i: i64| TracePoint { at: Moment(i), value };
            Reply::Traced { readings: (0..20).map(point).collect() }
        }
        Command::Forecast { .. } => {
            Reply::Forecast { time: Some(Estimate { value: 60.0, low: 50.0, high: 80.0, unit: unit("s") }) }
        }
        Command::HoldLeft { .. } => Reply::HoldLeft { left: Span::from_secs(30) },
        Command::Extend { by, .. } => Reply::Engaged { until: Moment::ZERO + *by },
        Command::ReadFreezeFrame => Reply::FreezeFrame { code: None, values: Vec::new() },
        Command::Release { .. } => {
            Reply::Released { proof: ReleaseProof::ControllerAndEffect, held: Span::from_secs(12) }
        }
        Command::ReadCodes => Reply::Codes { codes: vec!["P0505".into()] },
        Command::Prompt { wanted, .. } => Reply::Answered { answer: Some(usual(wanted)) },
        _ => Reply::Done,
    }
}

/// What a person would usually answer.
fn usual(wanted: &Wanted) -> String {
    match wanted {
        Wanted::Done => "done".into(),
        Wanted::Choice { options } => options[0].clone(),
        Wanted::Number { low, high, .. } => f64::midpoint(*low, *high).to_string(),
        Wanted::Text => "as I found it".into(),
    }
}

pub(crate) fn waited(channel: &str, outcome: Outcome, word: Word) -> Reply {
    let channel = ChannelId::new(channel).expect("the invented car uses usable names and units");
    let finding = Finding {
        estimate: Some(estimate(&channel)),
        channel,
        word,
        target: "what was asked".into(),
        gap: None,
        age: Some(Span::from_millis(100)),
        because: String::new(),
    };
    let judgement =
        Judgement { word, findings: vec![finding], dwelt: Span::ZERO, dwell: Span::ZERO, left: Span::ZERO };
    Reply::Waited { outcome, judgement }
}

fn estimate(channel: &ChannelId) -> Estimate {
    let unit = facts().channels[channel].clone();
    let value = if channel.as_str() == "rpm" { 850.0 } else { 60.0 };
    Estimate { value, low: value - 4.0, high: value + 4.0, unit }
}

pub(crate) fn sample(channel: &ChannelId, quality: Quality) -> Sample {
    Sample {
        channel: channel.clone(),
        at: Moment::ZERO,
        time_uncertainty: Span::ZERO,
        raw: 0,
        value: estimate(channel).value,
        uncertainty: Uncertainty::default(),
        quality,
    }
}

pub(crate) fn refused() -> Reply {
    let place = Place::Output {
        output: OutputId::new("idle_valve").expect("the invented car uses usable names and units"),
    };
    Reply::Refused {
        problem: Problem::new(ProblemKind::Car, place, "conditions not correct", "stop the engine first"),
    }
}

pub(crate) fn over(ending: Ending) -> Reply {
    Reply::Over { ending, why: "the far side ended it".into() }
}

fn unit(code: &str) -> Unit {
    Unit::new(code).expect("the invented car uses usable names and units")
}

/// An invented car.
pub(crate) fn facts() -> Facts {
    let channels = [
        ("rpm", "{rev}/min"),
        ("coolant", "Cel"),
        ("battery", "V"),
        ("throttle", "%"),
        ("idle_valve", "{step}"),
        ("idle_valve_held", "1"),
    ];
    let value = |v, code| SetupFact::Value(Quantity::new(v, unit(code)));
    Facts {
        channels: channels
            .map(|(n, u)| (ChannelId::new(n).expect("the invented car uses usable names and units"), unit(u)))
            .into(),
        outputs: BTreeMap::from([(
            OutputId::new("idle_valve").expect("the invented car uses usable names and units"),
            OutputFact {
                unit: unit("{step}"),
                low: 0.0,
                high: 160.0,
                longest: Span::from_secs(60),
                reads_while_held: true,
            },
        )]),
        setup: BTreeMap::from([
            ("warm_coolant".into(), value(75.0, "Cel")),
            ("hold_step".into(), value(60.0, "{step}")),
            ("lowest_idle".into(), value(450.0, "{rev}/min")),
            (
                "closed_throttle".into(),
                SetupFact::Window {
                    low: Quantity::new(0.48, unit("V")),
                    high: Quantity::new(0.52, unit("V")),
                },
            ),
        ]),
        notes: BTreeMap::new(),
    }
}

/// A header and a caution on line 1, then the script from line 2.
pub(crate) fn after_header(body: &str) -> String {
    let channels = r#"channels: ["rpm", "coolant", "battery", "throttle", "idle_valve", "idle_valve_held"]"#;
    let setup = r#"setup: ["warm_coolant", "hold_step", "lowest_idle", "closed_throttle"]"#;
    format!(
        "procedure(\"trial\", #{{ title: \"Trial\", {channels}, outputs: [\"idle_valve\"], {setup} }}); \
         caution([\"Mind the fan.\"]);\n{body}"
    )
}

/// Runs a whole script with a meter that never moves.
pub(crate) fn try_run(text: &str, ask: impl Ask + Send + 'static) -> RunReport {
    try_run_with(text, ask, Cancel::new(), MemoryMeter::new(|| 0))
}

/// Runs a whole script. A syntax error becomes a report, so that all bad scripts look alike.
pub(crate) fn try_run_with(
    text: &str,
    ask: impl Ask + Send + 'static,
    cancel: Cancel,
    memory: MemoryMeter,
) -> RunReport {
    let limits = Limits::default();
    match compile("trial.rhai", text, &limits) {
        Ok(script) => run(&script, &facts(), ask, cancel, memory, &limits),
        Err(problems) => RunReport {
            ending: Ending::BadInput,
            why: problems[0].seen.clone(),
            place: Some(problems[0].place.clone()),
            problems,
            header: None,
            steps: Vec::new(),
            notes: BTreeMap::new(),
        },
    }
}

/// Ending, problems one a line, and the commands after the header's caution.
pub(crate) fn told(report: &RunReport, log: &Log) -> String {
    let mut lines = vec![report.ending.to_string()];
    if report.problems.is_empty() && !report.why.is_empty() {
        let place = report.place.as_ref().map(|p| format!("{p}: ")).unwrap_or_default();
        lines.push(format!("{place}{}", report.why));
    }
    lines.extend(report.problems.iter().map(ToString::to_string));
    lines.extend(log.words().iter().filter(|w| *w != "caution 1").map(|w| format!("> {w}")));
    lines.join("\n")
}

/// What comes of a script body on a healthy car.
pub(crate) fn outcome(body: &str) -> String {
    let (ask, log) = station(|_, _| None);
    told(&try_run(&after_header(body), ask), &log)
}
