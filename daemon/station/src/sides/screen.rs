//! What a person sees in the terminal: steps and holds as lines, one live line that says what is waited for;
//! or every event as a line of JSON.

use std::io::{IsTerminal, Write};
use std::sync::{Arc, Mutex};

use clock::Clock;
use link::{Live, Viewer};
use model::event::{Event, Outcome, ReleaseProof};
use model::{EventEnvelope, Moment, Span, Wanted};

use super::tape::Ear;

/// How the screen is written.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Style {
    /// For people.
    Plain,
    /// One JSON object a line.
    Json,
}

/// At most ten times a real second: more than an eye takes in.
const LIVE_EVERY: Span = Span::from_millis(100);

struct Inner {
    out: Box<dyn Write + Send>,
    live: Option<Box<dyn Write + Send>>,
    live_shown: bool,
    clock: Clock,
    last: Moment,
    style: Style,
}

/// A screen. Copies write to the same one.
#[derive(Clone)]
pub struct Screen(Arc<Mutex<Inner>>);

impl std::fmt::Debug for Screen {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str("Screen")
    }
}

impl Screen {
    /// Standard output for lines; standard error for the live line, where it is a terminal.
    pub fn terminal(style: Style) -> Self {
        let live = std::io::stderr().is_terminal() && style == Style::Plain;
        let live: Option<Box<dyn Write + Send>> = if live { Some(Box::new(std::io::stderr())) } else { None };
        Self::new(Box::new(std::io::stdout()), live, style)
    }

    /// Any writers.
    pub fn new(out: Box<dyn Write + Send>, live: Option<Box<dyn Write + Send>>, style: Style) -> Self {
        let clock = Clock::real();
        let last = Moment::ZERO - LIVE_EVERY;
        Self(Arc::new(Mutex::new(Inner { out, live, live_shown: false, clock, last, style })))
    }

    /// Writes a line.
    pub fn line(&self, text: &str) {
        let mut inner = self.0.lock().expect("nothing panics while it writes");
        inner.clear_live();
        // A closed pipe must not end a run that may hold something.
        if let Err(error) = writeln!(inner.out, "{text}") {
            tracing::debug!(%error, "the screen is gone");
        }
    }

    /// Writes a line for people, and nothing in JSON.
    pub fn say(&self, text: &str) {
        let plain = self.0.lock().expect("nothing panics while it writes").style == Style::Plain;
        if plain {
            self.line(text);
        }
    }

    /// How it is written.
    pub fn style(&self) -> Style {
        self.0.lock().expect("nothing panics while it writes").style
    }
}

impl Inner {
    fn clear_live(&mut self) {
        if std::mem::take(&mut self.live_shown)
            && let Some(live) = &mut self.live
            && let Err(error) = write!(live, "\r\x1b[K").and_then(|()| live.flush())
        {
            tracing::debug!(%error, "the screen is gone");
        }
    }
}

impl Screen {
    /// Whether there is a live line that is due.
    fn live_is_due(&self) -> bool {
        let inner = self.0.lock().expect("nothing panics while it writes");
        inner.live.is_some() && inner.clock.now().since(inner.last) >= LIVE_EVERY
    }

    /// What the live line says; nothing while nothing is waited for.
    pub(super) fn live_text(live: &Live<'_>) -> Option<String> {
        if live.waiting_for.is_empty() {
            return None;
        }
        let link = if live.link_up { "" } else { "[no link] " };
        let what = live.judgement.map_or_else(|| live.waiting_for.to_string(), ToString::to_string);
        let recent: Vec<String> = live.recent.iter().map(|value| format!("{value:.2}")).collect();
        let recent = if recent.is_empty() { String::new() } else { format!("[{}] ", recent.join(" ")) };
        let text = format!("{:8.1} s  {link}{recent}{what}", live.now.as_secs_f64());
        Some(text.chars().take(110).collect())
    }

    /// Shows a live line in place of the one before.
    pub(super) fn show_live(&self, text: &str) {
        let mut inner = self.0.lock().expect("nothing panics while it writes");
        inner.last = inner.clock.now();
        inner.live_shown = true;
        if let Some(live) = &mut inner.live
            && let Err(error) = write!(live, "\r\x1b[K{text}").and_then(|()| live.flush())
        {
            tracing::debug!(%error, "the screen is gone");
        }
    }
}

impl Viewer for Screen {
    fn show(&mut self, live: &Live<'_>) {
        if self.live_is_due()
            && let Some(text) = Self::live_text(live)
        {
            self.show_live(&text);
        }
    }
}

impl Ear for Screen {
    fn hear(&mut self, event: &EventEnvelope) {
        match self.style() {
            Style::Json => match serde_json::to_string(event) {
                Ok(text) => self.line(&text),
                Err(error) => tracing::error!(%error, "an event could not be written as JSON"),
            },
            Style::Plain => {
                if let Some(text) = plain(&event.event) {
                    self.line(&format!("{:8.1} s  {text}", event.at.as_secs_f64()));
                }
            }
        }
    }
}

/// An event in plain words; nothing for those that only the record needs.
fn plain(event: &Event) -> Option<String> {
    Some(match event {
        Event::LinkUp { dialect, detail } => format!("link up: {dialect}, {detail}"),
        Event::LinkDown { why } => format!("link down: {why}"),
        Event::CautionsShown { lines } => format!(
            "CAUTION\n{}",
            lines.iter().map(|l| format!("            - {l}")).collect::<Vec<_>>().join("\n")
        ),
        Event::StepStarted { step, title } => format!("step {step}: {title}"),
        Event::StepSkipped { step, reason } => format!("step {step} skipped: {reason}"),
        Event::StepEnded { step, ending } => format!("step {step}: {ending}"),
        Event::GateEnded { outcome, judgement } => {
            let word = match outcome {
                Outcome::Met => "reached",
                Outcome::TimedOut => "not reached in time",
                Outcome::Unknown => "could not be decided in time",
                Outcome::Cancelled => "cancelled",
                Outcome::Fault => "link lost",
            };
            format!("  {word}: {judgement}")
        }
        Event::HoldIntended { output, value, at_most, .. } => {
            format!("  holding {output} at {value} for at most {at_most}")
        }
        Event::HoldReleasing { output, cause, detail } if !detail.is_empty() => {
            format!("  giving {output} back ({cause:?}: {detail})")
        }
        Event::HoldReleased { output, proof, held } => {
            let how = match proof {
                ReleaseProof::ControllerAndEffect => "confirmed by the controller and by its effect",
                ReleaseProof::Controller => "confirmed by the controller",
                ReleaseProof::Effect => "confirmed by its effect",
                ReleaseProof::ControllerTimeout => "by the controller's own timeout",
                ReleaseProof::None => "NOT CONFIRMED: switch the key off",
            };
            format!("  {output} given back, held for {held} in all, {how}")
        }
        Event::Measured { name, estimate: Some(estimate), readings, rate, .. } => {
            format!("  {name}: {estimate} ({readings} readings, {rate:.1} a second)")
        }
        Event::Measured { name, estimate: None, readings, .. } => {
            format!("  {name}: no value from {readings} readings")
        }
        Event::Traced { channel, name, readings, over } => {
            format!("  {name}: {readings} readings of {channel} in {over}")
        }
        Event::FreezeFrameRead { code: None, .. } => "  no freeze frame stored".into(),
        Event::FreezeFrameRead { code: Some(code), values } => {
            let values: Vec<String> = values.iter().map(|(name, value)| format!("{name} {value}")).collect();
            format!("  freeze frame of {code}: {}", values.join(", "))
        }
        Event::Result { name, finding } => format!("  RESULT {name}: {finding}"),
        Event::HoldExtended { output, until } => {
            format!("  {output} may be held until {:.1} s", until.as_secs_f64())
        }
        Event::Instructed { words, .. } => format!("  > {words}"),
        Event::Called { text } => format!("\u{7}  >>> {text}"),
        Event::Paused { words, time } => format!("  {words}: {time}"),
        Event::Prompted { words, wanted, .. } => format!("  > {words}{}", answers(wanted)),
        Event::Answered { answer } => format!("  < {answer}"),
        Event::CodesRead { codes } if codes.is_empty() => "  no trouble codes stored".into(),
        Event::CodesRead { codes } => format!("  trouble codes: {}", codes.join(", ")),
        Event::Remark { text } => format!("  {text}"),
        Event::Causes { causes } => format!("what the data point to\n{}", report::findings::words(causes)),
        Event::GuardTripped { word, .. } => format!("a guard tripped: {word}"),
        Event::Consented { outputs, .. } => format!(
            "agreed: {} may be taken over",
            outputs.iter().map(|one| one.output.to_string()).collect::<Vec<_>>().join(", ")
        ),
        Event::ComputerSlept { time } => format!("the computer slept for {time}"),
        Event::RecordsLost { count } => format!("{count} records were lost"),
        event => return report::said(event),
    })
}

/// What may be answered, where it is not just that it is done.
fn answers(wanted: &Wanted) -> String {
    match wanted {
        Wanted::Done | Wanted::Text => String::new(),
        // The first is the usual one: an empty line means it.
        Wanted::Choice { options } => {
            (1..).zip(options).map(|(number, option)| format!("\n              {number}  {option}")).collect()
        }
        Wanted::Number { unit, low, high } => format!(" ({low} to {high} {unit})"),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_choice_lists_its_options_under_the_numbers_that_answer_it() {
        let options = ["turned out", "turned in", "left alone"].map(String::from).to_vec();
        let wanted = Wanted::Choice { options };
        let (act, target, words) = ("ask".into(), "screw".into(), "How was the screw turned?".into());
        let shown = plain(&Event::Prompted { act, target, words, wanted }).expect("people see it");
        let lines: Vec<String> = shown.lines().map(|line| format!("|{line}")).collect();
        insta::assert_snapshot!(lines.join("\n"), @r"
        |  > How was the screw turned?
        |              1  turned out
        |              2  turned in
        |              3  left alone
        ");
    }
}
