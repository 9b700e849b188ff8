//! Everything that scripts can call, one file an area.

mod codes;
mod faults;
mod gates;
pub(crate) mod header;
pub(crate) mod holds;
mod key_off;
mod notebook;
pub(crate) mod prompts;
mod remarks;
mod results;
pub(crate) mod setup;
mod steps;
pub(crate) mod traces;
mod units;
pub(crate) mod values;

use std::sync::Arc;

use model::{Ending, Reply};
use rhai::{Array, Dynamic, Engine};

use super::fault::misuse;
use super::registrar::{Entry, Registrar, Vocabulary};
use super::shared::Shared;
use super::state::State;
use crate::facts::Facts;
use crate::limits::{Cancel, Limits};
use crate::room::Fail;
use crate::room::remote::Remote;

/// Gives the engine the whole vocabulary and returns it.
pub(crate) fn register(engine: &mut Engine, shared: Arc<Shared>) -> Vocabulary {
    let mut registrar = Registrar::new(engine, shared);
    header::register(&mut registrar);
    remarks::register(&mut registrar);
    prompts::register(&mut registrar);
    steps::register(&mut registrar);
    units::register(&mut registrar);
    gates::register(&mut registrar);
    values::register(&mut registrar);
    traces::register(&mut registrar);
    results::register(&mut registrar);
    key_off::register(&mut registrar);
    holds::register(&mut registrar);
    setup::register(&mut registrar);
    notebook::register(&mut registrar);
    codes::register(&mut registrar);
    faults::register(&mut registrar);
    registrar.vocabulary
}

/// The reference of the language: everything registered for scripts, in the order of the areas.
pub fn reference() -> Vec<Entry> {
    vocabulary().entries
}

/// Everything registered for scripts, without a car.
pub(crate) fn vocabulary() -> Vocabulary {
    let nobody = |_| Reply::Over { ending: Ending::BadInput, why: String::new() };
    let state = State::new(Box::new(Remote::new(nobody, Default::default())), Facts::default(), true);
    let limits = Limits::default();
    let mut engine = super::engine::bare(&limits);
    register(&mut engine, Arc::new(Shared::new(String::new(), limits, Cancel::new(), state)))
}

/// A list of texts.
fn texts(list: Array, what: &str) -> Result<Vec<String>, Fail> {
    list.into_iter()
        .map(|item| item.into_string().map_err(|_| misuse(format!("{what} must be a list of texts"), "")))
        .collect()
}

/// A text that says something.
fn said(text: &str, what: &str) -> Result<String, Fail> {
    if text.trim().is_empty() {
        Err(misuse(format!("{what} is empty"), "say it in words"))
    } else {
        Ok(text.into())
    }
}

/// One value of a type, named in the error when it is another.
fn typed<T: Clone + Send + Sync + 'static>(value: Dynamic, what: &str, wanted: &str) -> Result<T, Fail> {
    value.try_cast::<T>().ok_or_else(|| misuse(format!("{what} must be {wanted}"), ""))
}

#[cfg(test)]
mod tests {
    use std::collections::BTreeSet;

    use super::*;

    const FILES: &[&str] = &[
        include_str!("codes.rs"),
        include_str!("faults.rs"),
        include_str!("gates.rs"),
        include_str!("header.rs"),
        include_str!("holds.rs"),
        include_str!("key_off.rs"),
        include_str!("notebook.rs"),
        include_str!("prompts.rs"),
        include_str!("remarks.rs"),
        include_str!("results.rs"),
        include_str!("setup.rs"),
        include_str!("steps.rs"),
        include_str!("traces.rs"),
        include_str!("units.rs"),
        include_str!("values.rs"),
    ];

    #[test]
    fn nothing_is_registered_past_the_reference() {
        // The registrar registers and documents in one call, so it is enough that nobody goes around it.
        for file in FILES {
            for direct in ["register_fn", "register_get", "register_set", "register_raw", "FuncRegistration"]
            {
                assert!(!file.contains(direct), "{direct} goes around the registrar");
            }
        }
    }

    #[test]
    fn the_reference_describes_each_name_once_and_in_words() {
        let entries = reference();
        assert!(entries.len() > 70, "{}", entries.len());
        let mut seen = BTreeSet::new();
        for entry in &entries {
            assert!(!entry.area.is_empty(), "{entry:?}");
            assert!(entry.signature.contains(entry.name.as_str()), "{entry:?}");
            assert!(entry.summary.ends_with('.') && entry.summary.len() > 10, "{entry:?}");
            assert!(seen.insert(entry.signature.clone()), "{} stands twice", entry.signature);
        }
        for name in ["wait", "try_wait", "hold", "celsius", "procedure", "caution", "read_codes", "seen"] {
            assert!(entries.iter().any(|e| e.name == name), "{name}");
        }
    }
}
