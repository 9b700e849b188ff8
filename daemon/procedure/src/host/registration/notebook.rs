//! The notebook: what one step hands to a later one, typed and recorded.

use std::sync::Arc;

use model::event::NoteValue;
use model::{Quantity, Unit};
use rhai::{Dynamic, NativeCallContext};

use super::values::Measurement;
use super::{said, typed};
use crate::host::Scripted;
use crate::host::fault::misuse;
use crate::host::registrar::Registrar;
use crate::host::sense::{Meaning, Role};
use crate::nearest;
use crate::room::Fail;

pub(super) fn register(r: &mut Registrar<'_>) {
    r.area("notebook");

    // note(key: text, value) -> nothing
    let shared = Arc::clone(&r.shared);
    r.function(
        "note",
        "note(key, value)",
        "Writes down a quantity, a measurement, a text, a number, or yes or no.",
        move |ctx: NativeCallContext<'_>, key: &str, value: Dynamic| -> Scripted<()> {
            shared.call(&ctx, |state| {
                state.header()?;
                let key = said(key, "the key of a note")?;
                state.room.put(&key, to_note(value)?)
            })
        },
    )
    .takes(&[Role::Writes])
    .means(Meaning::Note)
    .does();

    // noted(key: text) -> what was written down
    let shared = Arc::clone(&r.shared);
    r.function(
        "noted",
        "noted(key)",
        "Reads what was written down, in this run or in the one it takes up again.",
        move |ctx: NativeCallContext<'_>, key: &str| -> Scripted<Dynamic> {
            shared.call(&ctx, |state| match state.room.get(key) {
                Some(value) => Ok(from_note(key, value)),
                None => Err(misuse(
                    format!("nothing is noted under '{key}'"),
                    nearest::cure(key, state.room.keys().into_iter()),
                )),
            })
        },
    )
    .takes(&[Role::Reads])
    .means(Meaning::Noted)
    .does();

    // has_note(key: text) -> yes or no
    let shared = Arc::clone(&r.shared);
    r.function(
        "has_note",
        "has_note(key)",
        "Whether something is written down under this key.",
        move |ctx: NativeCallContext<'_>, key: &str| -> Scripted<bool> {
            shared.call(&ctx, |state| Ok(state.room.get(key).is_some()))
        },
    )
    .takes(&[Role::Asks])
    .means(Meaning::HasNote)
    .does();
}

fn to_note(value: Dynamic) -> Result<NoteValue, Fail> {
    let wrong = "a quantity, a measurement, a text, a number, or yes or no";
    if let Ok(flag) = value.as_bool() {
        return Ok(NoteValue::Flag(flag));
    }
    if let Ok(number) = value.as_float().or_else(|_| value.as_int().map(|n| n as f64)) {
        return Ok(NoteValue::Quantity(Quantity::new(number, Unit::one())));
    }
    if value.is_string() {
        return value.into_string().map(NoteValue::Text).map_err(|_| misuse("a note must be readable", ""));
    }
    if let Some(quantity) = value.clone().try_cast::<Quantity>() {
        return Ok(NoteValue::Quantity(quantity));
    }
    let measurement = typed::<Measurement>(value, "a note", wrong)?;
    measurement.estimate().map(|estimate| NoteValue::Estimate(estimate.clone()))
}

fn from_note(key: &str, value: &NoteValue) -> Dynamic {
    match value {
        // A plain number went in as one and comes out as one.
        NoteValue::Quantity(quantity) if quantity.unit.code() == "1" => Dynamic::from_float(quantity.value),
        NoteValue::Quantity(quantity) => Dynamic::from(quantity.clone()),
        NoteValue::Estimate(estimate) => {
            Dynamic::from(Measurement { name: key.into(), estimate: Some(estimate.clone()) })
        }
        NoteValue::Text(text) => text.clone().into(),
        NoteValue::Flag(flag) => Dynamic::from_bool(*flag),
    }
}
