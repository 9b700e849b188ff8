//! Set-up values from the car's description.

use std::sync::Arc;

use model::Quantity;
use rhai::{Dynamic, NativeCallContext};

use crate::facts::SetupFact;
use crate::host::Scripted;
use crate::host::quantity::words;
use crate::host::registrar::Registrar;

/// A window that a set-up value must hit.
#[derive(Debug, Clone, PartialEq)]
struct Window {
    low: Quantity,
    high: Quantity,
}

pub(super) fn register(r: &mut Registrar<'_>) {
    r.area("set-up values");
    r.named::<Window>("window");

    // setup(name: text) -> quantity or window
    let shared = Arc::clone(&r.shared);
    r.function(
        "setup",
        "setup(name)",
        "A set-up value of this car: a quantity, or a window with .low and .high.",
        move |ctx: NativeCallContext<'_>, name: &str| -> Scripted<Dynamic> {
            shared.call(&ctx, |state| {
                Ok(match state.setup(name)? {
                    SetupFact::Value(value) => Dynamic::from(value),
                    SetupFact::Window { low, high } => Dynamic::from(Window { low, high }),
                })
            })
        },
    );
    r.getter("low", "window.low", "The lower edge of the window.", |w: &mut Window| w.low.clone());
    r.getter("high", "window.high", "The upper edge of the window.", |w: &mut Window| w.high.clone());
    r.words::<Window>("window", |w| format!("{} to {}", words(&w.low), words(&w.high)));
}
