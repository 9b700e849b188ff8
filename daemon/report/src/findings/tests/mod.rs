//! Rules, judged on notebooks made by hand.

mod base_idle;
mod judging;
mod loading;
mod properties;
mod wording;

use std::collections::BTreeMap;

use model::event::NoteValue;
use model::{Estimate, Problem, Quantity, Unit};

use super::{Rules, SetupLevel};

type Notes = BTreeMap<String, NoteValue>;
type SetUp = BTreeMap<String, SetupLevel>;

fn quantity(value: f64, unit: &str) -> Quantity {
    Quantity::new(value, Unit::new(unit).unwrap())
}

fn exactly(value: f64, unit: &str) -> NoteValue {
    NoteValue::Quantity(quantity(value, unit))
}

/// A value with an interval of this half-width.
fn about(value: f64, half: f64, unit: &str) -> NoteValue {
    let unit = Unit::new(unit).unwrap();
    NoteValue::Estimate(Estimate { value, low: value - half, high: value + half, unit })
}

fn text(text: &str) -> NoteValue {
    NoteValue::Text(text.into())
}

fn notes<const N: usize>(notes: [(&str, NoteValue); N]) -> Notes {
    notes.map(|(key, value)| (key.to_string(), value)).into()
}

/// A file of one cause with this evidence, each `note; is; points`.
fn rules(evidence: &[(&str, &str, &str)]) -> Rules {
    let mut file = "schema = 1\n[[cause]]\nid = \"a\"\ntitle = \"A\"\nnext = [\"Look.\"]\n".to_string();
    for (note, is, points) in evidence {
        file.push_str(&format!(
            "[[cause.evidence]]\nnote = \"{note}\"\nis = {{ {is} }}\nwords = \"so it is\"\n{points}\n"
        ));
    }
    Rules::load("rules.toml", &file).unwrap_or_else(|problems| panic!("{}", lines(&problems)))
}

fn lines(problems: &[Problem]) -> String {
    problems.iter().map(|problem| format!("{problem}\n")).collect()
}
