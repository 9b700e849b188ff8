//! Trouble codes.

use std::sync::Arc;

use rhai::{Array, Dynamic, NativeCallContext};

use crate::host::Scripted;
use crate::host::registrar::Registrar;

pub(super) fn register(r: &mut Registrar<'_>) {
    r.area("trouble codes");

    // read_codes() -> list of text
    let shared = Arc::clone(&r.shared);
    r.function(
        "read_codes",
        "read_codes()",
        "Reads the stored trouble codes.",
        move |ctx: NativeCallContext<'_>| -> Scripted<Array> {
            shared.call(&ctx, |state| {
                state.header()?;
                Ok(state.room.codes()?.into_iter().map(Dynamic::from).collect())
            })
        },
    );
}
