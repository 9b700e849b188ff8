//! Words for the record, and the endings that a script can choose.

use std::sync::Arc;

use model::Ending;
use rhai::NativeCallContext;

use super::said;
use crate::host::Scripted;
use crate::host::registrar::Registrar;
use crate::host::sense::{Meaning, Role};
use crate::room::{Fail, Halt};

pub(super) fn register(r: &mut Registrar<'_>) {
    r.area("remarks and endings");

    // remark(text) -> nothing
    let shared = Arc::clone(&r.shared);
    r.function(
        "remark",
        "remark(text)",
        "Shows a line and writes it into the record.",
        move |ctx: NativeCallContext<'_>, text: &str| -> Scripted<()> {
            shared.call(&ctx, |state| {
                state.header()?;
                state.room.remark(text)
            })
        },
    )
    .does();
    r.write_down("print", "print(value)", "The same as remark, for any value.");
    r.write_down(
        "debug",
        "debug(value)",
        "The same as remark, for any value, in the form a programmer reads.",
    );

    // fail(why: text) -> never
    let shared = Arc::clone(&r.shared);
    r.function(
        "fail",
        "fail(why)",
        "Ends the run: the car is not right.",
        move |ctx: NativeCallContext<'_>, why: &str| -> Scripted<()> {
            shared.call(&ctx, |_| {
                Err(Fail::Halt(Halt { ending: Ending::CarNotRight, why: said(why, "the reason")? }))
            })
        },
    )
    .takes(&[Role::Said])
    .means(Meaning::Ends);

    // undecided(why: text) -> nothing
    let shared = Arc::clone(&r.shared);
    r.function(
        "undecided",
        "undecided(why)",
        "Goes on, but the run cannot end as passed: this could not be decided.",
        move |ctx: NativeCallContext<'_>, why: &str| -> Scripted<()> {
            shared.call(&ctx, |state| {
                let why = said(why, "the reason")?;
                state.header()?;
                state.room.remark(&format!("undecided: {why}"))?;
                state.undecided.push(why);
                Ok(())
            })
        },
    )
    .takes(&[Role::Said])
    .does();
}
