//! Steps.

use std::sync::Arc;

use rhai::{FnPtr, NativeCallContext};

use super::said;
use crate::host::Scripted;
use crate::host::registrar::Registrar;
use crate::host::scope::new_step;
use crate::host::sense::{Meaning, Role};
use crate::report::{StepHow, StepRecord};

pub(super) fn register(r: &mut Registrar<'_>) {
    r.area("steps");

    // step(name: text, title: text, body: closure) -> nothing
    let shared = Arc::clone(&r.shared);
    r.function(
        "step",
        "step(name, title, || { … })",
        "Does a step; what a later step needs of it goes into the notebook.",
        move |ctx: NativeCallContext<'_>, name: &str, title: &str, body: FnPtr| -> Scripted<()> {
            shared.step(&ctx, name, title, &body)
        },
    )
    .means(Meaning::Step)
    .does();

    // skip(name: text, title: text, reason: text) -> nothing
    let shared = Arc::clone(&r.shared);
    r.function(
        "skip",
        "skip(name, title, reason)",
        "Leaves a step out and says why.",
        move |ctx: NativeCallContext<'_>, name: &str, title: &str, reason: &str| -> Scripted<()> {
            shared.call(&ctx, |state| {
                let step = new_step(state, name)?;
                let reason = said(reason, "the reason")?;
                state.room.skip(&step, &reason)?;
                state.steps.push(StepRecord { step, title: title.into(), how: StepHow::Skipped(reason) });
                Ok(())
            })
        },
    )
    .takes(&[Role::Plain, Role::Plain, Role::Said])
    .means(Meaning::Skip)
    .does();
}
