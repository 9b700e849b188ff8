//! What a person said of a session, and what a capture did of itself, in plain words.

use std::fmt;

use model::event::Trigger;
use model::{Event, Moment};
use serde::{Deserialize, Serialize};

/// One thing that was said, or that a capture did.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Saying {
    /// When.
    pub at: Moment,
    /// What, in words.
    pub words: String,
}

impl fmt::Display for Saying {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{:8.1} s  {}", self.at.as_secs_f64(), self.words)
    }
}

/// Marks, measurements by hand, and the beginning, the end and the keeping of a capture, in words; nothing for other
/// events.
pub fn said(event: &Event) -> Option<String> {
    Some(match event {
        Event::Marked { words, how } if words.is_empty() => format!("mark ({how})"),
        Event::Marked { words, .. } => format!("mark: {words}"),
        Event::MeasuredByHand { name, value, expanded, instrument } => {
            let half = expanded.map(|half| format!(" ± {half}")).unwrap_or_default();
            let with = instrument.as_ref().map(|name| format!(" with {name}")).unwrap_or_default();
            format!("measured by hand: {name} {value}{half}{with}")
        }
        Event::CaptureBegun { why } => format!("recording: {why}"),
        Event::CaptureEnded { why } => format!("recording ends: {why}"),
        Event::KeptAround { triggers, before_asked, before, after_asked, after } => {
            let why = |trigger: &Trigger| format!("{} at {:.1} s", trigger.why, trigger.at.as_secs_f64());
            let triggers: Vec<String> = triggers.iter().map(why).collect();
            format!(
                "kept {before} before of {before_asked} asked for and {after} after of {after_asked}: {}",
                triggers.join("; ")
            )
        }
        _ => return None,
    })
}
