//! Holds: scoped, bounded, guarded.

use std::sync::Arc;

use model::Quantity;
use rhai::{Array, Dynamic, FnPtr, Map, NativeCallContext};

use super::gates::conditions_of;
use super::typed;
use crate::host::Scripted;
use crate::host::fault::misuse;
use crate::host::quantity::{fits, span, words};
use crate::host::registrar::Registrar;
use crate::host::scope::HoldOrder;
use crate::host::state::State;
use crate::nearest;
use crate::room::Fail;

const KEYS: [&str; 2] = ["at_most", "drop_if"];

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
    );
}

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
    Ok(HoldOrder { output, value, at_most, drop_if })
}
