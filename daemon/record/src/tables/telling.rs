//! What of an event can be asked for without reading its JSON.

use model::event::NoteValue;
use model::{Event, Unit};
use serde::Serialize;

/// What of an event stands in columns of its own.
#[derive(Debug, Default, PartialEq)]
pub(super) struct Telling {
    pub(super) subject: Option<String>,
    pub(super) word: Option<String>,
    pub(super) value: Option<f64>,
    pub(super) unit: Option<String>,
}

impl Telling {
    fn about(subject: &impl ToString) -> Self {
        Self { subject: Some(subject.to_string()), ..Self::default() }
    }

    fn word(self, word: &impl Serialize) -> Self {
        // Words are enums, which serialise as texts.
        let word = serde_json::to_value(word).ok().and_then(|v| v.as_str().map(str::to_owned));
        Self { word, ..self }
    }

    fn text(self, word: &str) -> Self {
        Self { word: Some(word.to_owned()), ..self }
    }

    fn value(self, value: f64, unit: &Unit) -> Self {
        Self { value: Some(value), unit: Some(unit.code().to_owned()), ..self }
    }

    fn seconds(self, time: model::Span) -> Self {
        Self { value: Some(time.as_secs_f64()), unit: Some("s".into()), ..self }
    }

    /// What an event tells.
    pub(super) fn of(event: &Event) -> Self {
        match event {
            Event::SessionStarted { procedure, .. } => Self { subject: procedure.clone(), ..Self::default() },
            Event::SessionEnded { ending } => Self::default().word(ending),
            Event::StepStarted { step, .. } | Event::StepSkipped { step, .. } => Self::about(step),
            Event::StepEnded { step, ending } => Self::about(step).word(ending),
            Event::GateJudged { judgement } => Self::default().word(&judgement.word),
            Event::GateEnded { outcome, .. } => Self::default().word(outcome),
            Event::HoldIntended { output, value, .. } => Self::about(output).value(value.value, &value.unit),
            Event::HoldEngaged { output, .. } | Event::HoldExtended { output, .. } => Self::about(output),
            Event::HoldReleasing { output, cause, .. } => Self::about(output).word(cause),
            Event::HoldReleased { output, proof, held } => Self::about(output).word(proof).seconds(*held),
            Event::Noted { key, value } => noted(Self::about(key), value),
            Event::Measured { channel, estimate, .. } => match estimate {
                Some(e) => Self::about(channel).value(e.value, &e.unit),
                None => Self::about(channel),
            },
            Event::Traced { channel, over, .. } => Self::about(channel).seconds(*over),
            Event::Result { name, finding } => {
                let told = Self::about(name).word(&finding.word);
                match &finding.estimate {
                    Some(e) => told.value(e.value, &e.unit),
                    None => told,
                }
            }
            Event::WireFaulted { fault, .. } => Self::default().word(fault),
            Event::Anchor { source, .. } => Self::about(source),
            Event::GuardTripped { word, .. } => Self::default().word(word),
            Event::Problem { problem } => Self::default().word(&problem.kind),
            Event::ComputerSlept { time } => Self::default().seconds(*time),
            _ => Self::default(),
        }
    }
}

fn noted(told: Telling, value: &NoteValue) -> Telling {
    match value {
        NoteValue::Quantity(q) => told.value(q.value, &q.unit),
        NoteValue::Estimate(e) => told.value(e.value, &e.unit),
        NoteValue::Text(text) => told.text(text),
        NoteValue::Flag(flag) => told.text(if *flag { "true" } else { "false" }),
    }
}

#[cfg(test)]
mod tests {
    use model::{Ending, Quantity, StepId};

    use super::*;

    #[test]
    fn a_note_tells_its_number_and_a_step_its_ending() {
        let value = NoteValue::Quantity(Quantity::new(1.5, Unit::new("V").unwrap()));
        let told = Telling::of(&Event::Noted { key: "k".into(), value });
        let expected = Telling::about(&"k").value(1.5, &Unit::new("V").unwrap());
        assert_eq!(told, expected);
        let step = StepId::new("warm").unwrap();
        let told = Telling::of(&Event::StepEnded { step, ending: Ending::CarNotRight });
        assert_eq!((told.subject.as_deref(), told.word.as_deref()), (Some("warm"), Some("car_not_right")));
    }
}
