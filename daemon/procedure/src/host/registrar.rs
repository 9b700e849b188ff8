//! Registering and documenting in one call, so that the reference can never miss a function.

use std::any::Any;
use std::sync::Arc;

use rhai::{Engine, ImmutableString, NativeCallContext, RhaiNativeFunc};

use super::Scripted;
use super::shared::Shared;

/// One function, property or operator that scripts can use.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Entry {
    /// What it belongs to.
    pub area: &'static str,
    /// Its name.
    pub name: String,
    /// How it is written.
    pub signature: String,
    /// What it does, in one line.
    pub summary: String,
}

pub(crate) struct Registrar<'e> {
    engine: &'e mut Engine,
    pub(crate) shared: Arc<Shared>,
    area: &'static str,
    pub(crate) entries: Vec<Entry>,
}

impl<'e> Registrar<'e> {
    pub(crate) fn new(engine: &'e mut Engine, shared: Arc<Shared>) -> Self {
        Self { engine, shared, area: "", entries: Vec::new() }
    }

    /// What follows belongs to this area.
    pub(crate) fn area(&mut self, area: &'static str) {
        self.area = area;
    }

    /// Gives a type the name it has in messages.
    pub(crate) fn named<T: Any + Clone + Send + Sync>(&mut self, name: &str) {
        self.engine.register_type_with_name::<T>(name);
    }

    /// A function or method. `signature` is what a reader of the reference sees; its name is what stands before
    /// the bracket.
    pub(crate) fn function<A, const N: usize, const X: bool, R, const F: bool>(
        &mut self,
        name: &str,
        signature: &str,
        summary: &str,
        function: impl RhaiNativeFunc<A, N, X, R, F> + Send + Sync + 'static,
    ) where
        A: 'static,
        R: Any + Clone + Send + Sync,
    {
        self.write_down(name, signature, summary);
        self.engine.register_fn(name, function);
    }

    /// Another form of a function that is documented already.
    pub(crate) fn also<A, const N: usize, const X: bool, R, const F: bool>(
        &mut self,
        name: &str,
        function: impl RhaiNativeFunc<A, N, X, R, F> + Send + Sync + 'static,
    ) where
        A: 'static,
        R: Any + Clone + Send + Sync,
    {
        assert!(
            self.entries.iter().any(|e| e.name == name),
            "'{name}' must be documented before its other forms"
        );
        self.engine.register_fn(name, function);
    }

    /// A property that is read.
    pub(crate) fn getter<T, V>(
        &mut self,
        name: &str,
        signature: &str,
        summary: &str,
        get: impl Fn(&mut T) -> V + Send + Sync + 'static,
    ) where
        T: Any + Clone + Send + Sync,
        V: Any + Clone + Send + Sync,
    {
        self.write_down(name, signature, summary);
        self.engine.register_get(name, get);
    }

    /// A property that may have nothing to give.
    pub(crate) fn try_getter<T, V>(
        &mut self,
        name: &str,
        signature: &str,
        summary: &str,
        get: impl Fn(NativeCallContext<'_>, &mut T) -> Scripted<V> + Send + Sync + 'static,
    ) where
        T: Any + Clone + Send + Sync,
        V: Any + Clone + Send + Sync,
    {
        self.write_down(name, signature, summary);
        self.engine.register_get(name, get);
    }

    /// A property of a second type under a name that is documented already.
    pub(crate) fn also_getter<T, V>(&mut self, name: &str, get: impl Fn(&mut T) -> V + Send + Sync + 'static)
    where
        T: Any + Clone + Send + Sync,
        V: Any + Clone + Send + Sync,
    {
        assert!(
            self.entries.iter().any(|e| e.name == name),
            "'{name}' must be documented before its other forms"
        );
        self.engine.register_get(name, get);
    }

    /// How a type reads: in `${…}`, after a `+`, and when it is printed.
    pub(crate) fn words<T: Any + Clone + Send + Sync>(&mut self, owner: &str, words: fn(&T) -> String) {
        let signature = format!("{owner}.to_string()");
        self.write_down(
            "to_string",
            &signature,
            "The same in words, as it stands in `${…}` and after a text and +.",
        );
        self.engine
            .register_fn("to_string", move |value: &mut T| words(value))
            .register_fn("to_debug", move |value: &mut T| words(value))
            .register_fn("+", move |text: ImmutableString, value: T| format!("{text}{}", words(&value)))
            .register_fn("+", move |value: T, text: ImmutableString| format!("{}{text}", words(&value)));
    }

    /// What the language itself provides and the host has redirected.
    pub(crate) fn write_down(&mut self, name: &str, signature: &str, summary: &str) {
        self.entries.push(Entry {
            area: self.area,
            name: name.into(),
            signature: signature.into(),
            summary: summary.into(),
        });
    }
}
