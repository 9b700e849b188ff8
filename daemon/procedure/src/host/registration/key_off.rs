//! Times that pass, and times without a link: the counted wait with the key off.

use std::sync::Arc;

use model::Quantity;
use rhai::NativeCallContext;

use super::said;
use crate::host::Scripted;
use crate::host::quantity::span;
use crate::host::registrar::Registrar;
use crate::host::sense::Role;

pub(super) fn register(r: &mut Registrar<'_>) {
    r.area("times");

    // count_down(words: text, time) -> nothing
    let shared = Arc::clone(&r.shared);
    r.function(
        "count_down",
        "count_down(words, time)",
        "Lets a time pass, counted on the screen.",
        move |ctx: NativeCallContext<'_>, words: &str, time: Quantity| -> Scripted<()> {
            shared.call(&ctx, |state| {
                state.header()?;
                let (words, time) = (said(words, "what the time is for")?, span(&time, "the time")?);
                state.room.pause(&words, time)
            })
        },
    )
    .takes(&[Role::Said, Role::Time])
    .does();

    // bear_silence(time) -> nothing
    let shared = Arc::clone(&r.shared);
    r.function(
        "bear_silence",
        "bear_silence(time)",
        "For this long from here on the link may be down, as with the key off or while the starter turns; after it, or once the link has come back, a link that is down is lost again. Guards rest while it is down.",
        move |ctx: NativeCallContext<'_>, time: Quantity| -> Scripted<()> {
            shared.call(&ctx, |state| {
                state.header()?;
                let time = span(&time, "the time")?;
                state.room.bear_silence(time)
            })
        },
    )
    .takes(&[Role::Time])
    .does();
}
