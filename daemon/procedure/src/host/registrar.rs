//! Registering and documenting in one call, so that the reference can never miss a function.

use std::any::{Any, TypeId};
use std::sync::Arc;

use rhai::{Engine, ImmutableString, NativeCallContext, RhaiNativeFunc};

use super::Scripted;
use super::sense::{Form, Gives, Meaning, Role, Sense};
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

/// What the interpreter puts before the name of a property that is read.
pub(crate) const PROPERTY: &str = "get$";

pub(crate) struct Registrar<'e> {
    engine: &'e mut Engine,
    pub(crate) shared: Arc<Shared>,
    area: &'static str,
    pub(crate) vocabulary: Vocabulary,
}

/// Everything registered: as readers see it, and form by form.
#[derive(Debug, Default)]
pub(crate) struct Vocabulary {
    pub(crate) entries: Vec<Entry>,
    pub(crate) forms: Vec<Form>,
    /// The Rust types of ours with the names that scripts know them by.
    pub(crate) types: Vec<(TypeId, String)>,
}

/// A form that was registered just now, to be told what it means.
pub(crate) struct Registered<'r>(&'r mut Sense);

impl Registered<'_> {
    /// What its arguments are.
    pub(crate) fn takes(self, roles: &'static [Role]) -> Self {
        self.0.roles = roles;
        self
    }

    /// What it gives.
    pub(crate) fn gives(self, gives: Gives) -> Self {
        self.0.gives = gives;
        self
    }

    /// What it does.
    pub(crate) fn means(self, meaning: Meaning) -> Self {
        self.0.meaning = meaning;
        self
    }

    /// It touches the car, a person, the record or the notebook.
    pub(crate) fn does(self) -> Self {
        self.0.does = true;
        self
    }

    /// The cautions come before it.
    pub(crate) fn after_caution(self) -> Self {
        self.0.after_caution = true;
        self.does()
    }
}

impl<'e> Registrar<'e> {
    pub(crate) fn new(engine: &'e mut Engine, shared: Arc<Shared>) -> Self {
        Self { engine, shared, area: "", vocabulary: Vocabulary::default() }
    }

    /// What follows belongs to this area.
    pub(crate) fn area(&mut self, area: &'static str) {
        self.area = area;
    }

    /// Gives a type the name it has in messages.
    pub(crate) fn named<T: Any + Clone + Send + Sync>(&mut self, name: &str) {
        self.engine.register_type_with_name::<T>(name);
        self.vocabulary.types.push((TypeId::of::<T>(), name.into()));
    }

    /// A function or method. `signature` is what a reader of the reference sees; its name is what stands before
    /// the bracket.
    pub(crate) fn function<A, const N: usize, const X: bool, R, const F: bool, G>(
        &mut self,
        name: &str,
        signature: &str,
        summary: &str,
        function: G,
    ) -> Registered<'_>
    where
        G: RhaiNativeFunc<A, N, X, R, F> + Send + Sync + 'static,
        A: 'static,
        R: Any + Clone + Send + Sync,
    {
        self.write_down(name, signature, summary);
        self.engine.register_fn(name, function);
        self.form(name, &G::param_types(), TypeId::of::<R>())
    }

    fn form(&mut self, name: &str, takes: &[TypeId], gives: TypeId) -> Registered<'_> {
        let forms = &mut self.vocabulary.forms;
        let form = Form { name: name.into(), takes: takes.to_vec(), gives, sense: Sense::default() };
        forms.push(form);
        Registered(&mut forms.last_mut().expect("a form was pushed just now").sense)
    }

    /// Another form of a function that is documented already.
    pub(crate) fn also<A, const N: usize, const X: bool, R, const F: bool, G>(
        &mut self,
        name: &str,
        function: G,
    ) -> Registered<'_>
    where
        G: RhaiNativeFunc<A, N, X, R, F> + Send + Sync + 'static,
        A: 'static,
        R: Any + Clone + Send + Sync,
    {
        self.documented(name);
        self.engine.register_fn(name, function);
        self.form(name, &G::param_types(), TypeId::of::<R>())
    }

    fn documented(&self, name: &str) {
        let mut entries = self.vocabulary.entries.iter();
        assert!(entries.any(|e| e.name == name), "'{name}' must be documented before its other forms");
    }

    /// A property that is read.
    pub(crate) fn getter<T, V>(
        &mut self,
        name: &str,
        signature: &str,
        summary: &str,
        get: impl Fn(&mut T) -> V + Send + Sync + 'static,
    ) -> Registered<'_>
    where
        T: Any + Clone + Send + Sync,
        V: Any + Clone + Send + Sync,
    {
        self.write_down(name, signature, summary);
        self.engine.register_get(name, get);
        self.property::<T, V>(name)
    }

    fn property<T: Any, V: Any>(&mut self, name: &str) -> Registered<'_> {
        self.form(&format!("{PROPERTY}{name}"), &[TypeId::of::<T>()], TypeId::of::<V>())
    }

    /// A property that may have nothing to give.
    pub(crate) fn try_getter<T, V>(
        &mut self,
        name: &str,
        signature: &str,
        summary: &str,
        get: impl Fn(NativeCallContext<'_>, &mut T) -> Scripted<V> + Send + Sync + 'static,
    ) -> Registered<'_>
    where
        T: Any + Clone + Send + Sync,
        V: Any + Clone + Send + Sync,
    {
        self.write_down(name, signature, summary);
        self.engine.register_get(name, get);
        self.property::<T, V>(name)
    }

    /// A property of a second type under a name that is documented already.
    pub(crate) fn also_getter<T, V>(
        &mut self,
        name: &str,
        get: impl Fn(&mut T) -> V + Send + Sync + 'static,
    ) -> Registered<'_>
    where
        T: Any + Clone + Send + Sync,
        V: Any + Clone + Send + Sync,
    {
        self.documented(name);
        self.engine.register_get(name, get);
        self.property::<T, V>(name)
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
        for name in ["to_string", "to_debug"] {
            self.form(name, &[TypeId::of::<T>()], TypeId::of::<String>());
        }
    }

    /// What the language itself provides and the host has redirected.
    pub(crate) fn write_down(&mut self, name: &str, signature: &str, summary: &str) {
        self.vocabulary.entries.push(Entry {
            area: self.area,
            name: name.into(),
            signature: signature.into(),
            summary: summary.into(),
        });
    }
}
