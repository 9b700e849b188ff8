//! Values, targets and causes in plain words.

use std::fmt::Write;

use model::cause::{Cause, Evidence, Grade, Speaks};
use model::event::NoteValue;
use model::{Quantity, Word};

use super::judge::Resolved;
use super::rules::{End, Level, Wanted, Window};

/// The causes in plain words, each with its grade, the evidence for and against it, and what to test next.
/// Causes that nothing speaks for are left out unless there is no other. Empty where no cause was considered.
pub fn words(causes: &[Cause]) -> String {
    let pointed: Vec<&Cause> =
        causes.iter().filter(|cause| matches!(cause.grade, Grade::Likely | Grade::Possible)).collect();
    let mut text = String::new();
    if pointed.is_empty() && !causes.is_empty() {
        text.push_str("Nothing in the data points to one of the known causes.\n");
        causes.iter().for_each(|cause| tell(&mut text, cause));
    } else {
        pointed.into_iter().for_each(|cause| tell(&mut text, cause));
    }
    text
}

fn tell(text: &mut String, cause: &Cause) {
    let grade = match cause.grade {
        Grade::Likely => "Likely",
        Grade::Possible => "Possible",
        Grade::Unlikely => "Unlikely",
        Grade::Unknown => "Unknown",
    };
    line(text, &format!("{grade}: {}", cause.title));
    let of = |speaks: Speaks| cause.evidence.iter().filter(move |evidence| evidence.speaks == speaks);
    section(text, "for it", of(Speaks::For).map(spoken));
    section(text, "against it", of(Speaks::Against).map(spoken));
    let unknown = of(Speaks::Nothing).filter(|evidence| evidence.word == Word::Unknown);
    section(text, "not known", unknown.map(|evidence| evidence.seen.clone()));
    if matches!(cause.grade, Grade::Likely | Grade::Possible) {
        section(text, "test next", cause.next.iter().cloned());
    }
}

fn section(text: &mut String, title: &str, entries: impl Iterator<Item = String>) {
    let mut entries = entries.peekable();
    if entries.peek().is_some() {
        line(text, &format!("  {title}:"));
        entries.for_each(|entry| line(text, &format!("    - {entry}")));
    }
}

fn spoken(evidence: &Evidence) -> String {
    let Evidence { words, seen, target, word, speaks, .. } = evidence;
    let not = if *speaks == Speaks::Against { "not so: " } else { "" };
    format!("{not}{words} ({seen}, looked for {target}: {word})")
}

fn line(text: &mut String, line: &str) {
    writeln!(text, "{line}").expect("writing to a string does not fail");
}

/// A value of the notebook in words, without its name.
pub(super) fn value(value: &NoteValue) -> String {
    match value {
        NoteValue::Quantity(quantity) => amount(quantity),
        NoteValue::Estimate(estimate) => estimate.to_string().trim_end().to_string(),
        NoteValue::Text(text) if text.trim().is_empty() => "(empty)".into(),
        NoteValue::Text(text) => format!("\"{}\"", super::source::shown(text)),
        NoteValue::Flag(flag) => yes_or_no(*flag).into(),
    }
}

/// A target in words; a set-up value is named beside its amount.
pub(super) fn target(wanted: &Wanted, resolved: Option<&Resolved<'_>>) -> String {
    let (way, name) = match wanted {
        Wanted::Below(level) => ("below", level_name(level)),
        Wanted::Above(level) => ("above", level_name(level)),
        Wanted::Within(window) => ("within", window_name(window)),
        Wanted::Outside(window) => ("outside", window_name(window)),
        Wanted::Flag(flag) => return yes_or_no(*flag).into(),
        Wanted::Contains(words) => return words.join(" or "),
    };
    let amount = match resolved {
        Some(Resolved::Below(level) | Resolved::Above(level)) => amount(level),
        Some(Resolved::Within(low, high) | Resolved::Outside(low, high)) => range(low, high),
        _ => String::new(),
    };
    match (amount.as_str(), name) {
        ("", name) => format!("{way} {}", name.unwrap_or_default()),
        (amount, None) => format!("{way} {amount}"),
        (amount, Some(name)) => format!("{way} {amount} ({name})"),
    }
}

fn level_name(level: &Level) -> Option<String> {
    match level {
        Level::Given(_) => None,
        Level::SetUp { name, end: None } => Some(name.clone()),
        Level::SetUp { name, end: Some(End::Low) } => Some(format!("{name}.low")),
        Level::SetUp { name, end: Some(End::High) } => Some(format!("{name}.high")),
    }
}

fn window_name(window: &Window) -> Option<String> {
    match window {
        Window::Given { .. } => None,
        Window::SetUp(name) => Some(name.clone()),
    }
}

fn range(low: &Quantity, high: &Quantity) -> String {
    if low.unit == high.unit {
        format!("{} to {}", number(low.value), amount(high))
    } else {
        format!("{} to {}", amount(low), amount(high))
    }
}

fn amount(quantity: &Quantity) -> String {
    format!("{} {}", number(quantity.value), quantity.unit.print()).trim_end().to_string()
}

/// To four significant digits, whole numbers in full, without idle zeros behind the point.
fn number(x: f64) -> String {
    if x == 0.0 || !x.is_finite() {
        return format!("{}", x + 0.0);
    }
    let places = (3.0 - x.abs().log10().floor()).clamp(0.0, 12.0) as usize;
    let text = format!("{x:.places$}");
    if text.contains('.') { text.trim_end_matches('0').trim_end_matches('.').to_string() } else { text }
}

fn yes_or_no(flag: bool) -> &'static str {
    if flag { "yes" } else { "no" }
}
