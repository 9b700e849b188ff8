//! The header: what a script is and what it needs.

use std::sync::Arc;

use model::{ChannelId, Ending, IdError, OutputId, StepId};
use rhai::{Array, Dynamic, Map, NativeCallContext};

use super::{said, texts, typed};
use crate::host::Scripted;
use crate::host::fault::misuse;
use crate::host::registrar::Registrar;
use crate::host::sense::Meaning;
use crate::nearest;
use crate::report::Header;
use crate::room::{Fail, Halt};

pub(crate) const KEYS: [&str; 6] = ["title", "channels", "outputs", "setup", "may_channels", "may_setup"];

pub(super) fn register(r: &mut Registrar<'_>) {
    r.area("header");

    // procedure(name: text, needs: map) -> nothing
    let shared = Arc::clone(&r.shared);
    r.function(
        "procedure",
        "procedure(name, #{ title: …, channels: […], outputs: […], setup: […], may_channels: […], may_setup: […] })",
        "Says what the script is and what it needs of the car; comes first, and everything missing is told at once. What a car may do without stands under may_….",
        move |ctx: NativeCallContext<'_>, name: &str, needs: Map| -> Scripted<()> {
            shared.call(&ctx, |state| {
                state.declare(read(name, needs)?)?;
                if state.header_only {
                    return Err(Fail::Halt(Halt { ending: Ending::Passed, why: String::new() }));
                }
                Ok(())
            })
        },
    )
    .means(Meaning::Header);
}

pub(crate) fn read(name: &str, mut needs: Map) -> Result<Header, Fail> {
    // Procedures are named like steps: the name stands in addresses and folders.
    StepId::new(name).map_err(|e| misuse(e.to_string(), ""))?;
    if let Some(key) = needs.keys().find(|k| !KEYS.contains(&k.as_str())) {
        return Err(misuse(format!("procedure(…) has no '{key}'"), nearest::cure(key, KEYS.into_iter())));
    }
    let title =
        needs.remove("title").ok_or_else(|| misuse("the procedure has no title", "add title: \"…\""))?;
    let title: String = title.into_string().map_err(|_| misuse("title must be a text", ""))?;
    let mut list = |key: &str| match needs.remove(key) {
        None => Ok(Vec::new()),
        Some(value) => names(value, key),
    };
    let id = |e: IdError| misuse(e.to_string(), "");
    Ok(Header {
        name: name.into(),
        title: said(&title, "the title")?,
        channels: list("channels")?
            .iter()
            .map(|n| ChannelId::new(n).map_err(id))
            .collect::<Result<_, _>>()?,
        outputs: list("outputs")?.iter().map(|n| OutputId::new(n).map_err(id)).collect::<Result<_, _>>()?,
        setup: list("setup")?,
        may_channels: list("may_channels")?
            .iter()
            .map(|n| ChannelId::new(n).map_err(id))
            .collect::<Result<_, _>>()?,
        may_setup: list("may_setup")?,
    })
}

fn names(value: Dynamic, key: &str) -> Result<Vec<String>, Fail> {
    texts(typed::<Array>(value, key, "a list of names")?, key)
}
