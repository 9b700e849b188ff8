//! Holds: scoped, bounded, guarded.

use std::sync::Arc;

use model::{Quantity, Span, Unit, Wanted};
use rhai::{Array, Dynamic, FnPtr, Map, NativeCallContext};

use super::gates::conditions_of;
use super::{said, typed};
use crate::host::Scripted;
use crate::host::fault::misuse;
use crate::host::quantity::{fits, span, words};
use crate::host::registrar::Registrar;
use crate::host::scope::HoldOrder;
use crate::host::sense::{Gives, Meaning, Of, Role};
use crate::host::state::State;
use crate::nearest;
use crate::room::Fail;

pub(crate) const KEYS: [&str; 2] = ["at_most", "drop_if"];

pub(super) fn register(r: &mut Registrar<'_>) {
    r.area("holds");

    // hold(output: text, value: quantity, bounds: map, body: closure) -> what the closure gives
    let shared = Arc::clone(&r.shared);
    r.function(
        "hold",
        "hold(output, value, #{ at_most: time, drop_if: [condition, …] }, || { … })",
        "Holds an output while the closure runs; however it is left, the output is given back.",
        move |ctx: NativeCallContext<'_>,
              output: &str,
              value: Quantity,
              bounds: Map,
              body: FnPtr|
              -> Scripted<Dynamic> {
            let order = shared.call(&ctx, |state| order(state, output, value, bounds))?;
            shared.hold(&ctx, &order, &body)
        },
    )
    .takes(&[Role::Output, Role::Like(0)])
    .means(Meaning::Hold { goes_on: false })
    .after_caution();

    // try_hold(output: text, value: quantity, bounds: map, body: closure) -> map
    let shared = Arc::clone(&r.shared);
    r.function(
        "try_hold",
        "try_hold(output, value, #{ at_most: time, drop_if: [condition, …] }, || { … })",
        "The same, and the script lives through a refusal or an early end: #{ outcome, words, value, condition }; outcome is \"done\", \"dropped\", \"window_over\" or \"refused\"; condition is the place of the drop condition that came true, from 0, or ().",
        move |ctx: NativeCallContext<'_>,
              output: &str,
              value: Quantity,
              bounds: Map,
              body: FnPtr|
              -> Scripted<Map> {
            let mut order = shared.call(&ctx, |state| order(state, output, value, bounds))?;
            order.goes_on = true;
            shared.try_hold(&ctx, &order, &body)
        },
    )
    .takes(&[Role::Output, Role::Like(0)])
    .gives(Gives::Record(&[
        ("outcome", Gives::Words(&["done", "dropped", "window_over", "refused"])),
        ("words", Gives::Text),
        ("value", Gives::Plain),
        ("condition", Gives::Maybe(&Gives::Whole)),
    ]))
    .means(Meaning::Hold { goes_on: true })
    .after_caution();

    window(r);
}

/// The window of a hold: how much is left, and a person's word that makes it longer.
fn window(r: &mut Registrar<'_>) {
    // hold_left(output: text) -> quantity
    let shared = Arc::clone(&r.shared);
    r.function(
        "hold_left",
        "hold_left(output)",
        "How much time is left until the hold's window is over.",
        move |ctx: NativeCallContext<'_>, output: &str| -> Scripted<Quantity> {
            shared.call(&ctx, |state| {
                let (output, _) = state.output(output)?;
                let left = state.room.left(&output)?;
                Ok(Quantity::new(left.as_secs_f64(), Unit::new("s").expect("the second is a unit")))
            })
        },
    )
    .takes(&[Role::Output])
    .gives(Gives::Quantity(Of::Unit("s")))
    .does();

    // extend_hold(output: text, by: time, words: text) -> yes or no
    let shared = Arc::clone(&r.shared);
    r.function(
        "extend_hold",
        "extend_hold(output, by, words)",
        "Asks the person whether the hold may go on for longer, and extends it on \"hold on\" only, within what the description allows.",
        move |ctx: NativeCallContext<'_>, output: &str, by: Quantity, words: &str| -> Scripted<bool> {
            shared.call(&ctx, |state| {
                let (output, _) = state.output(output)?;
                let (by, words) = (span(&by, "the extension")?, said(words, "the prompt")?);
                let options = vec!["hold on".to_string(), "let go".to_string()];
                let left = state.room.left(&output)?;
                let answer = state.room.prompt(
                    "decide",
                    "hold",
                    &words,
                    &Wanted::Choice { options },
                    (left - ANSWER_SPARE).max(Span::from_secs(1)),
                )?;
                if answer.as_deref() != Some("hold on") {
                    return Ok(false);
                }
                match state.room.extend(&output, by) {
                    Ok(_) => Ok(true),
                    // Not within what the description allows: the hold goes on as it was.
                    Err(Fail::Refused(problem)) => {
                        state.room.remark(&format!("the hold is not extended: {}", problem.seen))?;
                        Ok(false)
                    }
                    Err(fail) => Err(fail),
                }
            })
        },
    )
    .takes(&[Role::Output, Role::Time, Role::Said])
    .does();

    // reads_while_held(output: text) -> yes or no
    let shared = Arc::clone(&r.shared);
    r.function(
        "reads_while_held",
        "reads_while_held(output)",
        "Whether the controller answers readings while it is held, by its description.",
        move |ctx: NativeCallContext<'_>, output: &str| -> Scripted<bool> {
            shared.call(&ctx, |state| Ok(state.output(output)?.1.reads_while_held))
        },
    )
    .takes(&[Role::Output])
    .means(Meaning::ReadsWhileHeld);
}

/// A person who has not answered this long before the window's end is no longer waited for.
const ANSWER_SPARE: Span = Span::from_secs(5);

fn order(state: &State, name: &str, value: Quantity, mut bounds: Map) -> Result<HoldOrder, Fail> {
    state.cautioned("an output is held")?;
    let (output, fact) = state.output(name)?;
    if state.held.contains(&output) {
        return Err(misuse(format!("'{name}' is held already"), "leave the first hold before the second"));
    }
    fits(&value, &fact.unit, &format!("'{name}'"))?;
    let in_its_unit = value.to(&fact.unit).map_err(|e| misuse(e.to_string(), ""))?;
    let edge = |v| words(&Quantity::new(v, fact.unit.clone()));
    if !(fact.low..=fact.high).contains(&in_its_unit.value) {
        return Err(misuse(
            format!("'{name}' cannot be held at {}", words(&value)),
            format!("its description allows {} to {}", edge(fact.low), edge(fact.high)),
        ));
    }
    if let Some(key) = bounds.keys().find(|k| !KEYS.contains(&k.as_str())) {
        return Err(misuse(format!("hold(…) has no '{key}'"), nearest::cure(key, KEYS.into_iter())));
    }
    let at_most = bounds.remove("at_most").ok_or_else(|| {
        misuse(
            format!("the hold of '{name}' has no bound"),
            "say how long at the most: #{ at_most: 20.seconds }",
        )
    })?;
    let at_most = span(&typed::<Quantity>(at_most, "at_most", "a time, as in 20.seconds")?, "at_most")?;
    if at_most > fact.longest {
        return Err(misuse(
            format!("'{name}' cannot be held for {at_most}"),
            format!("its description allows {} at the most", fact.longest),
        ));
    }
    let drop_if = match bounds.remove("drop_if") {
        Some(list) => conditions_of(typed::<Array>(list, "drop_if", "a list of conditions")?, "drop_if")?,
        None => Vec::new(),
    };
    Ok(HoldOrder { output, value, at_most, drop_if, goes_on: false })
}
