//! Cautions and prompts.

use rhai::Position;

use crate::check::finding::Kind;
use crate::check::value::{Shape, Value};
use crate::check::walk::{Arg, Walker};
use crate::host::registration::prompts::RANGE;
use crate::nearest;

impl Walker<'_> {
    /// `caution([line, …])`.
    pub(super) fn caution(&mut self, args: &[Arg<'_>], at: Position) -> Value {
        if let Some(arg) = args.first()
            && let Some(Shape::List(lines)) = arg.value.only()
        {
            if lines.is_empty() {
                self.mistake(Kind::Value, at, "the list of cautions is empty", "name at least one");
            }
            for (place, line) in lines.iter().enumerate() {
                let is_text = |shape: &Shape| matches!(shape, Shape::Text(_) | Shape::Any);
                if !line.shapes().iter().any(is_text) {
                    let seen = format!("a caution is a text, and this is a {}", line.words());
                    self.mistake(Kind::Arguments, arg.element_at(place), seen, "put it into quotes");
                } else if line.exact_text().is_some_and(|text| text.trim().is_empty()) {
                    self.mistake(Kind::Text, arg.element_at(place), "a caution is empty", "say it in words");
                }
            }
        }
        self.flow.cautioned = true;
        Value::nothing()
    }

    /// The options of a choice.
    pub(super) fn choice(&mut self, args: &[Arg<'_>], place: usize) {
        let Some(arg) = args.get(place) else { return };
        let Some(Shape::List(options)) = arg.value.only() else { return };
        if options.len() < 2 {
            self.mistake(Kind::Value, arg.at, "there is nothing to choose", "name at least two options");
        }
        for (place, option) in options.iter().enumerate() {
            if !option.shapes().iter().any(|shape| matches!(shape, Shape::Text(_) | Shape::Any)) {
                let seen = format!("an option is a text, and this is a {}", option.words());
                self.mistake(Kind::Arguments, arg.element_at(place), seen, "put it into quotes");
            }
        }
    }

    /// The range of a number, and what is given for it.
    pub(super) fn number(&mut self, args: &[Arg<'_>], place: usize) -> Value {
        let Some(arg) = args.get(place) else { return Value::any() };
        let Some(Shape::Map { entries, open }) = arg.value.only() else {
            return Shape::Measured(None).into();
        };
        self.keys(arg, entries.keys().map(String::as_str), &RANGE, "a number's range");
        let entry = |key: &str| entries.get(key).cloned();
        for key in RANGE.into_iter().filter(|key| !*open && entry(key).is_none()) {
            let seen = format!("the number's range has no '{key}'");
            self.mistake(Kind::Key, arg.at, seen, format!("add {key}: with its unit"));
        }
        for key in RANGE {
            let Some(value) = entry(key) else { continue };
            let at = arg.entry(key).map_or(arg.at, rhai::Expr::start_position);
            if !value.shapes().iter().any(|s| matches!(s, Shape::Amount { .. } | Shape::Any)) {
                let seen = format!("{key} must be a quantity, and this is a {}", value.words());
                self.mistake(Kind::Arguments, at, seen, "give it a unit, as in 850.rpm");
            }
        }
        let Some(low) = entry("low") else { return Shape::Measured(None).into() };
        let unit = low.unit();
        if let Some(unit) = &unit {
            for key in ["high", "give_or_take"] {
                let Some(value) = entry(key) else { continue };
                let at = arg.entry(key).map_or(arg.at, rhai::Expr::start_position);
                self.of_unit("the number", unit, &value, at);
            }
        }
        if let Some(high) = entry("high") {
            self.edges(&low, &high, arg.at);
        }
        Shape::Measured(unit).into()
    }

    /// Keys of a map that a function takes.
    pub(super) fn keys<'k>(
        &mut self,
        arg: &Arg<'_>,
        given: impl Iterator<Item = &'k str>,
        known: &[&str],
        whose: &str,
    ) {
        for key in given.filter(|key| !known.contains(key)) {
            let cure = nearest::cure(key, known.iter().copied());
            self.mistake(Kind::Key, arg.key_at(key), format!("{whose} has no '{key}'"), cure);
        }
    }
}
