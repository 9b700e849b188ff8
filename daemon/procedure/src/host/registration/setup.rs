//! Set-up values from the car's description.

use std::sync::Arc;

use model::Quantity;
use rhai::{Dynamic, NativeCallContext};

use crate::facts::SetupFact;
use crate::host::Scripted;
use crate::host::fault::misuse;
use crate::host::quantity::words;
use crate::host::registrar::Registrar;
use crate::host::sense::{Edge, Meaning, Role};

/// A window that a set-up value must hit.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Window {
    pub(crate) low: Quantity,
    pub(crate) high: Quantity,
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
    )
    .takes(&[Role::Setup])
    .means(Meaning::Setup);
    // has_setup(name: text) -> yes or no
    let shared = Arc::clone(&r.shared);
    r.function(
        "has_setup",
        "has_setup(name)",
        "Whether this car has the set-up value; the header names it under may_setup.",
        move |ctx: NativeCallContext<'_>, name: &str| -> Scripted<bool> {
            shared.call(&ctx, |state| state.has_setup(name))
        },
    )
    .takes(&[Role::MaySetup])
    .means(Meaning::Has);
    r.getter("low", "window.low", "The lower edge of the window.", |w: &mut Window| w.low.clone())
        .means(Meaning::Edge(Edge::Low));
    r.getter("high", "window.high", "The upper edge of the window.", |w: &mut Window| w.high.clone())
        .means(Meaning::Edge(Edge::High));
    r.getter("middle", "window.middle", "The middle of the window: what to aim at.", |w: &mut Window| {
        Quantity::new(f64::midpoint(w.low.value, w.high.value), w.low.unit.clone())
    })
    .means(Meaning::Edge(Edge::Middle));
    r.getter("width", "window.width", "From edge to edge.", |w: &mut Window| {
        Quantity::new(w.high.value - w.low.value, w.low.unit.clone())
    })
    .means(Meaning::Edge(Edge::Width));
    // window(low: quantity, high: quantity) -> window
    let shared = Arc::clone(&r.shared);
    r.function(
        "window",
        "window(low, high)",
        "A window between two levels of one kind.",
        move |ctx: NativeCallContext<'_>, low: Quantity, high: Quantity| -> Scripted<Window> {
            shared.call(&ctx, |_| {
                let high = high.to(&low.unit).map_err(|e| misuse(e.to_string(), ""))?;
                if low.value < high.value {
                    Ok(Window { low, high })
                } else {
                    Err(misuse("the window is empty", "give the lower edge first"))
                }
            })
        },
    )
    .takes(&[Role::Plain, Role::Like(0)])
    .means(Meaning::Window);
    r.words::<Window>("window", |w| format!("{} to {}", words(&w.low), words(&w.high)));
}
