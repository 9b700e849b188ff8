//! Trouble codes.

use std::sync::Arc;

use model::Quantity;
use rhai::{Array, Dynamic, Map, NativeCallContext};

use crate::host::Scripted;
use crate::host::registrar::Registrar;
use crate::host::sense::Gives;

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
    )
    .gives(Gives::Texts)
    .does();

    // read_freeze_frame() -> map
    let shared = Arc::clone(&r.shared);
    r.function(
        "read_freeze_frame",
        "read_freeze_frame()",
        "Reads how the engine ran when a trouble code was stored (SAE J1979, service 02): #{ code, values }; code is () where no frame is stored, values is a list of #{ name, value }.",
        move |ctx: NativeCallContext<'_>| -> Scripted<Map> {
            shared.call(&ctx, |state| {
                state.header()?;
                let frame = state.room.freeze_frame()?;
                let value = |(name, value): (String, Quantity)| {
                    let mut entry = Map::new();
                    entry.insert("name".into(), name.into());
                    entry.insert("value".into(), Dynamic::from(value));
                    Dynamic::from(entry)
                };
                let values: Array = frame.values.into_iter().map(value).collect();
                let mut map = Map::new();
                map.insert("code".into(), frame.code.map_or(Dynamic::UNIT, Dynamic::from));
                map.insert("values".into(), values.into());
                Ok(map)
            })
        },
    )
    .gives(Gives::Record(&[
        ("code", Gives::Maybe(&Gives::Text)),
        ("values", Gives::Plain),
    ]))
    .does();
}
