//! The notebook: what is written, what is read, and by whom.

use std::collections::{BTreeMap, BTreeSet};

use model::{Unit, nearest};
use rhai::Position;

use crate::check::finding::{Class, Finding, Kind};
use crate::check::ground::RuleNames;
use crate::check::report::{Call, Report};
use crate::check::value::{Shape, Value};
use crate::check::walk::{Arg, Walker};
use crate::host::sense::Role;
use crate::nearest as names;

/// Keys of this beginning are notes of the session that this one follows.
const EARLIER: &str = "earlier:";

/// Notes as the script uses them.
#[derive(Debug, Default)]
pub(in crate::check) struct Notes {
    /// What a former look at the script found written; nothing before there was one.
    known: Option<BTreeMap<String, Value>>,
    written: BTreeMap<String, Value>,
    /// What is written on this car.
    here: BTreeSet<String>,
    known_here: BTreeSet<String>,
    /// Where each key was first written.
    places: BTreeMap<String, Position>,
    /// Something is written under a key that is known only later.
    any: bool,
    read: BTreeMap<(String, Position), (bool, Option<Call>)>,
}

impl Notes {
    /// An empty notebook of a look that knows what a former one found.
    pub(in crate::check) fn after(former: Self) -> Self {
        Self { known: Some(former.written), known_here: former.here, ..Self::default() }
    }

    /// Whether this look found what the former one had found.
    pub(in crate::check) fn is_settled(&self) -> bool {
        self.known.as_ref() == Some(&self.written) && self.known_here == self.here
    }

    /// Notes that are read and never written.
    pub(in crate::check) fn tell(&self, report: &mut Report) {
        if self.any {
            return;
        }
        let read: BTreeSet<&str> = self.read.keys().map(|(key, _)| key.as_str()).collect();
        let missing = self.read.iter().filter(|((key, _), _)| !self.is_written(key));
        for ((key, at), (asks, call)) in missing {
            let seen = if *asks {
                format!("no step writes a note '{key}', so there never is one")
            } else {
                format!("no step writes a note '{key}'")
            };
            let cure = names::cure(key, self.written.keys().map(String::as_str));
            report.put(Class::Mistake, Kind::Note, *at, (seen, cure), call.clone());
        }
        // The slip may be on the other side.
        for (key, at) in &self.places {
            let misspelt = read.iter().copied().filter(|other| !self.is_written(other));
            if !read.contains(key.as_str())
                && let Some(other) = nearest(key, misspelt)
            {
                let seen = format!(
                    "the note '{key}' is written here and never read, and '{other}' is read and never written"
                );
                let cure = "give both the same name".to_string();
                report.put(Class::Mistake, Kind::Note, *at, (seen, cure), None);
            }
        }
    }

    fn is_written(&self, key: &str) -> bool {
        key.starts_with(EARLIER) || self.written.contains_key(key)
    }

    /// Notes that the finding rules ask for and nobody writes.
    pub(in crate::check) fn tell_rules(&self, rules: &RuleNames, report: &mut Report) {
        let wanted: BTreeSet<&str> = rules.notes.iter().map(|(key, _)| key.as_str()).collect();
        let mut told = BTreeSet::new();
        for (key, line) in &rules.notes {
            if self.any || self.is_written(key) || !told.insert(key) {
                continue;
            }
            report.put_elsewhere(Finding {
                class: Class::Mistake,
                kind: Kind::Findings,
                file: rules.file.clone(),
                line: *line,
                column: 0,
                seen: format!("the rules ask for a note '{key}', which the script never writes"),
                cure: names::cure(key, self.written.keys().map(String::as_str)),
            });
            let idle = self.places.iter().filter(|(own, _)| !wanted.contains(own.as_str()));
            let near = nearest(key, idle.map(|(own, _)| own.as_str()));
            if let Some((own, at)) = near.and_then(|near| self.places.get_key_value(near)) {
                let seen = format!("the note '{own}' is written, and the finding rules ask for '{key}'");
                let words = (seen, format!("did you mean '{key}'?"));
                report.put(Class::Mistake, Kind::Findings, *at, words, None);
            }
        }
    }

    /// A key that differs by one slip from another one that is used, and that nobody reads.
    pub(in crate::check) fn tell_look_alikes(&self, rules: Option<&RuleNames>, report: &mut Report) {
        let read: BTreeSet<&str> = self.read.keys().map(|(key, _)| key.as_str()).collect();
        let wanted: BTreeSet<&str> =
            rules.iter().flat_map(|rules| &rules.notes).map(|(key, _)| key.as_str()).collect();
        let used = |key: &str| read.contains(key) || wanted.contains(key);
        for (key, at) in self.places.iter().filter(|(key, _)| !used(key)) {
            let others = self.written.keys().map(String::as_str).filter(|other| other != key && used(other));
            // As many slips as a word of five letters may have: one.
            let near = nearest(key, others)
                .filter(|near| near.len().abs_diff(key.len()) <= 1 && slips(key, near) <= 1);
            if let Some(near) = near {
                let seen =
                    format!("nobody reads the note '{key}', which differs from '{near}' by one letter");
                let words = (seen, format!("did you mean '{near}'?"));
                report.put(Class::Hint, Kind::Note, *at, words, None);
            }
        }
    }
}

/// Letters in which two words of about one length differ; swapped neighbours count as one.
fn slips(a: &str, b: &str) -> usize {
    let (a, b): (Vec<char>, Vec<char>) = (a.chars().collect(), b.chars().collect());
    let front = a.iter().zip(&b).take_while(|(x, y)| x == y).count();
    let (a, b) = (&a[front..], &b[front..]);
    let back = a.iter().rev().zip(b.iter().rev()).take_while(|(x, y)| x == y).count();
    let (a, b) = (&a[..a.len() - back], &b[..b.len() - back]);
    let swapped = a.len() == 2 && b.len() == 2 && a[0] == b[1] && a[1] == b[0];
    if swapped { 1 } else { a.len().max(b.len()) }
}

impl Walker<'_> {
    /// A note's key where it is written, read or asked for.
    pub(super) fn note_key(&mut self, role: Role, arg: &Arg<'_>) {
        let Some(keys) = arg.value.texts().filter(|keys| !keys.is_empty()) else {
            if role == Role::Writes {
                self.notes.any = true;
            }
            self.undecided(
                Kind::Note,
                arg.at,
                "which note this is, is known only when the procedure runs",
                "",
            );
            return;
        };
        let call = self.call_around();
        for key in keys {
            match role {
                Role::Writes => {
                    self.notes.places.entry(key.into()).or_insert(arg.at);
                }
                _ => {
                    let asks = role == Role::Asks;
                    self.notes.read.insert((key.into(), arg.at), (asks, call.clone()));
                }
            }
        }
    }

    /// `note(key, value)`.
    pub(super) fn note(&mut self, args: &[Arg<'_>]) {
        let [key, value] = args else { return };
        let noted = self.as_note(value);
        let keys: Vec<String> =
            key.value.texts().unwrap_or_default().into_iter().map(ToString::to_string).collect();
        let live = self.flow.is_live();
        for key in keys {
            if live {
                self.notes.here.insert(key.clone());
            }
            let former = self.notes.written.remove(&key).unwrap_or_default();
            self.notes.written.insert(key, former.or(noted.clone()));
        }
    }

    /// What can be read again of a value that was written down.
    fn as_note(&mut self, arg: &Arg<'_>) -> Value {
        let mut noted = Value::default();
        let mut wrong = None;
        for shape in arg.value.shapes() {
            let kept: Value = match shape {
                // A plain number comes out as one with a fraction.
                Shape::Int(_) | Shape::Float(_) => Shape::Float(None).into(),
                Shape::Amount { unit: Some(unit), .. } if *unit == Unit::one() => Shape::Float(None).into(),
                Shape::Amount { unit, .. } => Value::amount(unit.clone()),
                Shape::Flag { car, .. } => Shape::Flag { value: None, car: *car }.into(),
                Shape::Text(_) | Shape::Measured(_) | Shape::Any => shape.clone().into(),
                other => {
                    wrong = Some(other.clone());
                    Value::default()
                }
            };
            noted = noted.or(kept);
        }
        match wrong {
            Some(Shape::Nothing) if !noted.shapes().is_empty() => self.absent(arg.at, "note"),
            Some(shape) if noted.shapes().is_empty() => self.mistake(
                Kind::Arguments,
                arg.at,
                format!("a {} cannot be written down", shape.words()),
                "a note is a quantity, a measurement, a text, a number, or yes or no",
            ),
            _ => {}
        }
        if noted.shapes().is_empty() { Value::any() } else { noted }
    }

    /// `has_note(key)`: never where only other cars have what is written there.
    pub(super) fn has_note(&mut self, args: &[Arg<'_>]) -> Value {
        let notes = &self.notes;
        let key = args.first().and_then(|key| key.value.exact_text());
        let elsewhere = key.is_some_and(|key| {
            notes.known.as_ref().is_some_and(|known| known.contains_key(key))
                && !notes.known_here.contains(key)
        });
        Shape::Flag { value: elsewhere.then_some(false), car: elsewhere }.into()
    }

    /// `noted(key)`.
    pub(super) fn noted(&mut self, args: &[Arg<'_>]) -> Value {
        let keys = args.first().and_then(|key| key.value.texts()).unwrap_or_default();
        let Some(known) = &self.notes.known else { return Value::any() };
        let value = keys.iter().fold(Value::default(), |value, key| {
            value.or(known.get(*key).cloned().unwrap_or_else(Value::any))
        });
        if value.shapes().is_empty() { Value::any() } else { value }
    }
}

#[cfg(test)]
mod tests {
    use super::slips;

    #[test]
    fn slips_are_counted_where_two_words_differ() {
        for (a, b, count) in [
            ("idle_held", "idle_hled", 1),
            ("codes", "code", 1),
            ("air", "ail", 1),
            ("valve_up", "valve_base", 4),
        ] {
            assert_eq!(slips(a, b), count, "{a} {b}");
        }
    }
}
