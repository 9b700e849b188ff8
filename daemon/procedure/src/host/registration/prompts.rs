//! The person at the car: cautions and prompts.

use std::sync::Arc;

use model::{Ending, Quantity};
use rhai::{Array, NativeCallContext};

use super::{said, texts};
use crate::host::Scripted;
use crate::host::fault::misuse;
use crate::host::quantity::span;
use crate::host::registrar::Registrar;
use crate::room::{Fail, Halt};

pub(super) fn register(r: &mut Registrar<'_>) {
    r.area("people");

    // caution(lines: list of text) -> nothing
    let shared = Arc::clone(&r.shared);
    r.function(
        "caution",
        "caution([line, …])",
        "Shows the cautions; comes before any prompt and any hold.",
        move |ctx: NativeCallContext<'_>, lines: Array| -> Scripted<()> {
            shared.call(&ctx, |state| {
                state.header()?;
                let lines = texts(lines, "the cautions")?;
                if lines.is_empty() {
                    return Err(misuse("the list of cautions is empty", "name at least one"));
                }
                lines.iter().try_for_each(|line| said(line, "a caution").map(|_| ()))?;
                state.room.caution(&lines)?;
                state.cautioned = true;
                Ok(())
            })
        },
    );

    // ask_to(act: text, target: text, words: text, limit: time) -> text
    let shared = Arc::clone(&r.shared);
    r.function(
        "ask_to",
        "ask_to(act, target, words, limit)",
        "Asks the person to do something (\"turn\", \"bypass screw\", …) and gives the answer; without one, undecided.",
        move |ctx: NativeCallContext<'_>, act: &str, target: &str, words: &str, limit: Quantity| -> Scripted<String> {
            shared.call(&ctx, |state| {
                state.cautioned("a person is asked")?;
                let (act, target, words) = (said(act, "the act")?, said(target, "the target")?, said(words, "the prompt")?);
                let limit = span(&limit, "the limit")?;
                state.room.prompt(&act, &target, &words, limit)?.ok_or_else(|| {
                    let why = format!("nobody answered within {limit}: {words}");
                    Fail::Halt(Halt { ending: Ending::Undecided, why })
                })
            })
        },
    );
}
