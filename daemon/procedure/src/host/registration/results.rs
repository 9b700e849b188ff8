//! Results: a measurement against its window, in the words of the judge.

use std::sync::Arc;

use model::judgement::Finding;
use model::{Quantity, Unit, Word};
use rhai::NativeCallContext;
use signal::verdict::Target;

use super::said;
use super::setup::Window;
use super::values::Measurement;
use crate::host::Scripted;
use crate::host::fault::misuse;
use crate::host::quantity::{fits, words};
use crate::host::registrar::Registrar;
use crate::host::sense::{Gives, Meaning, Of, Role};
use crate::host::state::State;
use crate::room::Fail;

/// The words of the judge.
const WORDS: Gives = Gives::Words(&["proven", "inside", "outside", "unknown"]);

pub(super) fn register(r: &mut Registrar<'_>) {
    r.area("results");

    // result(name: text, channel: text, measurement, window) -> text
    let shared = Arc::clone(&r.shared);
    r.function(
        "result",
        "result(name, channel, measurement, window)",
        "Judges a measurement of a channel against a window, records it, and gives the word: \"proven\", \"inside\", \"outside\" or \"unknown\".",
        move |ctx: NativeCallContext<'_>, name: &str, channel: &str, m: Measurement, w: Window| -> Scripted<String> {
            shared.call(&ctx, |state| judged(state, name, channel, &m, Some(&w.low), Some(&w.high)))
        },
    )
    .takes(&[Role::Said, Role::Channel, Role::Like(1), Role::Like(1)])
    .gives(WORDS)
    .means(Meaning::Result)
    .does();
    let shared = Arc::clone(&r.shared);
    r.function(
        "result_above",
        "result_above(name, channel, measurement, level)",
        "The same against a level that it must lie above.",
        move |ctx: NativeCallContext<'_>,
              name: &str,
              channel: &str,
              m: Measurement,
              level: Quantity|
              -> Scripted<String> {
            shared.call(&ctx, |state| judged(state, name, channel, &m, Some(&level), None))
        },
    )
    .takes(&[Role::Said, Role::Channel, Role::Like(1), Role::Like(1)])
    .gives(WORDS)
    .does();

    // reading(value: quantity, give_or_take: quantity) -> measurement
    let shared = Arc::clone(&r.shared);
    r.function(
        "reading",
        "reading(value, give_or_take)",
        "A value with the width within which it lies (95 %, either way), as a measurement.",
        move |ctx: NativeCallContext<'_>, value: Quantity, off: Quantity| -> Scripted<Measurement> {
            shared.call(&ctx, |_| {
                fits(&off, &value.unit, "the value")?;
                let off = off.difference_to(&value.unit).map_err(|e| misuse(e.to_string(), ""))?.value.abs();
                let (low, high) = (value.value - off, value.value + off);
                let estimate = model::Estimate { value: value.value, low, high, unit: value.unit };
                Ok(Measurement { name: "a reading".into(), estimate: Some(estimate) })
            })
        },
    )
    .takes(&[Role::Plain, Role::Like(0)])
    .gives(Gives::Measurement(Of::Like(0)));
}

fn judged(
    state: &mut State,
    name: &str,
    channel: &str,
    measurement: &Measurement,
    low: Option<&Quantity>,
    high: Option<&Quantity>,
) -> Result<String, Fail> {
    let (id, unit) = state.channel(channel)?;
    let name = said(name, "the name of the result")?;
    let edge = |q: Option<&Quantity>, open: f64| match q {
        None => Ok(open),
        Some(q) => {
            fits(q, &unit, &format!("'{channel}'"))?;
            Ok(q.to(&unit).map_err(|e| misuse(e.to_string(), ""))?.value)
        }
    };
    let target = Target { min: edge(low, f64::NEG_INFINITY)?, max: edge(high, f64::INFINITY)? };
    let finding = match &measurement.estimate {
        Some(estimate) => {
            let of = |value| in_unit(value, &estimate.unit, &unit);
            let (value, low_end, high_end) = (of(estimate.value)?, of(estimate.low)?, of(estimate.high)?);
            let word = target.judge(value, low_end, high_end).word();
            let estimate = model::Estimate { value, low: low_end, high: high_end, unit: unit.clone() };
            Finding {
                channel: id,
                word,
                gap: Some(target.gap(value)),
                estimate: Some(estimate),
                target: target_words(low, high),
                age: None,
                because: String::new(),
            }
        }
        None => Finding {
            channel: id,
            word: Word::Unknown,
            estimate: None,
            target: target_words(low, high),
            gap: None,
            age: None,
            because: "there were too few readings".into(),
        },
    };
    state.room.result(&name, &finding)?;
    Ok(finding.word.to_string())
}

fn in_unit(value: f64, from: &Unit, to: &Unit) -> Result<f64, Fail> {
    from.convert(value, to).map_err(|e| misuse(e.to_string(), "judge it against a window of its own kind"))
}

fn target_words(low: Option<&Quantity>, high: Option<&Quantity>) -> String {
    match (low, high) {
        (Some(low), Some(high)) => format!("{} to {}", words(low), words(high)),
        (Some(low), None) => format!("above {}", words(low)),
        (None, Some(high)) => format!("below {}", words(high)),
        (None, None) => "anything".into(),
    }
}
