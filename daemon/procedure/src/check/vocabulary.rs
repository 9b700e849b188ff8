//! Every function that a script can call: ours, as they were registered, and the language's own.

use std::any::TypeId;
use std::collections::{BTreeMap, BTreeSet};
use std::sync::OnceLock;

use model::nearest;
use rhai::{Dynamic, ImmutableString};

use super::value::{Shape, Value};
use crate::host::engine;
use crate::host::registrar::PROPERTY;
use crate::host::registration;
use crate::host::sense::Form;
use crate::limits::Limits;

/// Words that the interpreter serves itself.
const KEYWORDS: [&str; 10] =
    ["print", "debug", "type_of", "curry", "call", "Fn", "is_def_var", "is_def_fn", "is_shared", "contains"];

/// All functions by name.
#[derive(Debug)]
pub(super) struct Words {
    own: BTreeMap<String, Vec<Form>>,
    language: BTreeMap<String, Vec<Vec<TypeId>>>,
    /// How a name is written, for the cures.
    written: BTreeMap<String, Vec<String>>,
}

/// How arguments go with the forms of a function.
#[derive(Debug)]
pub(super) enum Found<'w> {
    /// They fit this form of ours.
    Own(&'w Form),
    /// They fit one of the language's own.
    Language,
    /// They fit none of those that there are.
    Unfit,
    /// There is no function of this name.
    Unknown,
}

impl Words {
    /// The one vocabulary: it is the same for every script.
    pub(super) fn get() -> &'static Self {
        static WORDS: OnceLock<Words> = OnceLock::new();
        WORDS.get_or_init(Self::collect)
    }

    fn collect() -> Self {
        let vocabulary = registration::vocabulary();
        let mut words = Self { own: BTreeMap::new(), language: BTreeMap::new(), written: BTreeMap::new() };
        for entry in &vocabulary.entries {
            words.written.entry(entry.name.clone()).or_default().push(entry.signature.clone());
        }
        for form in vocabulary.forms {
            words.own.entry(form.name.clone()).or_default().push(form);
        }
        let bare = engine::bare(&Limits::default());
        let forms = bare.collect_fn_metadata(
            None,
            |info| Some((info.metadata.name.to_string(), info.metadata.param_types.to_vec())),
            true,
        );
        for (name, takes) in forms {
            words.language.entry(name).or_default().push(takes);
        }
        words
    }

    /// The form that is called with these arguments.
    pub(super) fn find(&self, name: &str, args: &[Value]) -> Found<'_> {
        let own = self.own.get(name).map_or(&[][..], Vec::as_slice);
        if let Some(form) = own.iter().find(|form| fit(&form.takes, args)) {
            return Found::Own(form);
        }
        let language = self.language.get(name).map_or(&[][..], Vec::as_slice);
        if language.iter().any(|takes| fit(takes, args)) || KEYWORDS.contains(&name) {
            return Found::Language;
        }
        if own.is_empty() && language.is_empty() { Found::Unknown } else { Found::Unfit }
    }

    /// Every form of ours under a name.
    pub(super) fn own(&self, name: &str) -> &[Form] {
        self.own.get(name).map_or(&[], Vec::as_slice)
    }

    /// How a function is written, in all its forms.
    pub(super) fn written(&self, name: &str) -> String {
        self.written.get(name).map_or_else(String::new, |forms| forms.join(" or "))
    }

    /// The function that was most likely meant: one of the script's, one of ours, or one of the language's.
    pub(super) fn near_function<'a>(
        &'a self,
        name: &str,
        of_script: impl Iterator<Item = &'a str>,
    ) -> Option<&'a str> {
        let own = self.own.keys().chain(self.written.keys()).map(String::as_str);
        let language = self.language.keys().map(String::as_str);
        let callable =
            |name: &&str| name.starts_with(|c: char| c.is_ascii_alphabetic()) && !name.contains('$');
        let known = of_script.chain(own).chain(language).filter(callable);
        // What is a property as well is written without brackets, and is no answer to a call.
        nearest(name, known)
    }

    /// The property that was most likely meant on a value, or the method of the name of one.
    pub(super) fn near_property(&self, name: &str, owner: &Value) -> Option<&str> {
        let own = self
            .own
            .iter()
            .filter(|(_, forms)| forms.iter().any(|form| fit(&form.takes, std::slice::from_ref(owner))));
        let language = self
            .language
            .iter()
            .filter(|(_, forms)| forms.iter().any(|takes| fit(takes, std::slice::from_ref(owner))));
        let names = own.map(|(name, _)| name).chain(language.map(|(name, _)| name));
        nearest(name, names.filter_map(|name| name.strip_prefix(PROPERTY)))
    }

    /// The method that was most likely meant on a value.
    pub(super) fn near_method(&self, name: &str, owner: &Value) -> Option<&str> {
        let takes_owner = |takes: &[TypeId]| takes.first().is_some_and(|first| fits(*first, owner));
        let own = self.own.iter().filter(|(_, forms)| forms.iter().any(|form| takes_owner(&form.takes)));
        let language = self.language.iter().filter(|(_, forms)| forms.iter().any(|takes| takes_owner(takes)));
        let names: BTreeSet<&str> =
            own.map(|(name, _)| name.as_str()).chain(language.map(|(name, _)| name.as_str())).collect();
        nearest(name, names.into_iter().filter(|name| !name.contains('$')))
    }
}

fn fit(takes: &[TypeId], args: &[Value]) -> bool {
    takes.len() == args.len() && takes.iter().zip(args).all(|(takes, arg)| fits(*takes, arg))
}

/// Whether some shape of a value is of a type.
pub(super) fn fits(takes: TypeId, arg: &Value) -> bool {
    let text = takes == TypeId::of::<&str>() || takes == TypeId::of::<String>();
    let takes = if text { TypeId::of::<ImmutableString>() } else { takes };
    if takes == TypeId::of::<Dynamic>() || arg.shapes().is_empty() {
        return true;
    }
    arg.shapes().iter().any(|shape| match shape {
        Shape::Any => true,
        Shape::Range { .. } => {
            takes == TypeId::of::<std::ops::Range<rhai::INT>>()
                || takes == TypeId::of::<std::ops::RangeInclusive<rhai::INT>>()
        }
        shape => shape.type_id() == Some(takes),
    })
}
