//! The person at the car: cautions and prompts.

use std::sync::Arc;

use model::{Ending, Estimate, Quantity, Span, Wanted};
use rhai::{Array, Map, NativeCallContext};

use super::values::Measurement;
use super::{said, texts, typed};
use crate::host::Scripted;
use crate::host::fault::misuse;
use crate::host::quantity::{fits, span};
use crate::host::registrar::Registrar;
use crate::host::sense::{Gives, Meaning, Role};
use crate::host::state::State;
use crate::nearest;
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
    )
    .means(Meaning::Caution)
    .does();

    asking(r);
    telling(r);
}

/// Prompts that wait for an answer.
fn asking(r: &mut Registrar<'_>) {
    // ask_to(act: text, target: text, words: text, limit: time) -> text
    let shared = Arc::clone(&r.shared);
    r.function(
        "ask_to",
        "ask_to(act, target, words, limit)",
        "Asks the person to do something (\"turn\", \"bypass screw\", …) and gives the answer; without one, undecided.",
        move |ctx: NativeCallContext<'_>, act: &str, target: &str, words: &str, limit: Quantity| -> Scripted<String> {
            shared.call(&ctx, |state| {
                let done = |answer: &str| {
                    let answer = answer.trim();
                    let yes = ["done", "yes", "ok", ""].iter().any(|yes| answer.eq_ignore_ascii_case(yes));
                    yes.then(|| answer.to_string())
                };
                Question::new(state, act, target, words, &limit)?.ask_until(state, &Wanted::Done, done)
            })
        },
    )
    .takes(&[Role::Said, Role::Said, Role::Said, Role::Time])
    .after_caution();

    // ask_choice(act: text, target: text, words: text, options: list of text, limit: time) -> text
    let shared = Arc::clone(&r.shared);
    r.function(
        "ask_choice",
        "ask_choice(act, target, words, [option, …], limit)",
        "Asks the person to choose; gives the chosen option.",
        move |ctx: NativeCallContext<'_>,
              act: &str,
              target: &str,
              words: &str,
              options: Array,
              limit: Quantity|
              -> Scripted<String> {
            shared.call(&ctx, |state| {
                let question = Question::new(state, act, target, words, &limit)?;
                let options = texts(options, "the options")?;
                if options.len() < 2 {
                    return Err(misuse("there is nothing to choose", "name at least two options"));
                }
                let fits =
                    |answer: &str| options.iter().find(|o| o.eq_ignore_ascii_case(answer.trim())).cloned();
                question.ask_until(state, &Wanted::Choice { options: options.clone() }, fits)
            })
        },
    )
    .takes(&[Role::Said, Role::Said, Role::Said, Role::Plain, Role::Time])
    .gives(Gives::OneOf(3))
    .means(Meaning::Choice(3))
    .after_caution();

    // ask_text(act: text, target: text, words: text, limit: time) -> text
    let shared = Arc::clone(&r.shared);
    r.function(
        "ask_text",
        "ask_text(act, target, words, limit)",
        "Asks the person for words of their own.",
        move |ctx: NativeCallContext<'_>,
              act: &str,
              target: &str,
              words: &str,
              limit: Quantity|
              -> Scripted<String> {
            shared.call(&ctx, |state| {
                Question::new(state, act, target, words, &limit)?.ask(state, &Wanted::Text)
            })
        },
    )
    .takes(&[Role::Said, Role::Said, Role::Said, Role::Time])
    .after_caution();

    // ask_number(act: text, target: text, words: text, range: map, limit: time) -> measurement
    let shared = Arc::clone(&r.shared);
    r.function(
        "ask_number",
        "ask_number(act, target, words, #{ low: quantity, high: quantity, give_or_take: quantity }, limit)",
        "Asks the person to read a number; gives it with the uncertainty of what it is read on (95 %, either way).",
        move |ctx: NativeCallContext<'_>, act: &str, target: &str, words: &str, range: Map, limit: Quantity| -> Scripted<Measurement> {
            shared.call(&ctx, |state| {
                let question = Question::new(state, act, target, words, &limit)?;
                let (low, high, half) = number_range(range)?;
                let wanted = Wanted::Number { unit: low.unit.clone(), low: low.value, high: high.value };
                let fits = |answer: &str| {
                    let value: f64 = answer.trim().replace(',', ".").parse().ok()?;
                    (low.value..=high.value).contains(&value).then_some(value)
                };
                let value = question.ask_until(state, &wanted, fits)?;
                let estimate = Estimate { value, low: value - half, high: value + half, unit: low.unit };
                Ok(Measurement { name: target.into(), estimate: Some(estimate) })
            })
        },
    )
    .takes(&[Role::Said, Role::Said, Role::Said, Role::Plain, Role::Time])
    .means(Meaning::Number(3))
    .after_caution();
}

/// Prompts that wait for nothing.
fn telling(r: &mut Registrar<'_>) {
    // instruct(act: text, target: text, words: text) -> nothing
    let shared = Arc::clone(&r.shared);
    r.function(
        "instruct",
        "instruct(act, target, words)",
        "Shows what to do and goes on: the next gate is how the car says that it is done.",
        move |ctx: NativeCallContext<'_>, act: &str, target: &str, words: &str| -> Scripted<()> {
            shared.call(&ctx, |state| {
                state.cautioned("a person is told what to do")?;
                let (act, target, words) =
                    (said(act, "the act")?, said(target, "the target")?, said(words, "the prompt")?);
                state.room.instruct(&act, &target, &words)
            })
        },
    )
    .takes(&[Role::Said, Role::Said, Role::Said])
    .after_caution();

    // call_out(text) -> nothing
    let shared = Arc::clone(&r.shared);
    r.function(
        "call_out",
        "call_out(text)",
        "Calls loudly for somebody who may have walked away.",
        move |ctx: NativeCallContext<'_>, text: &str| -> Scripted<()> {
            shared.call(&ctx, |state| {
                state.header()?;
                let text = said(text, "the call")?;
                state.room.call(&text)
            })
        },
    )
    .takes(&[Role::Said])
    .does();
}

/// Times that a person is asked again after an answer of the wrong kind.
const TRIES: usize = 3;

/// A question with its limit, checked.
struct Question {
    act: String,
    target: String,
    words: String,
    limit: Span,
}

impl Question {
    fn new(state: &State, act: &str, target: &str, words: &str, limit: &Quantity) -> Result<Self, Fail> {
        state.cautioned("a person is asked")?;
        Ok(Self {
            act: said(act, "the act")?,
            target: said(target, "the target")?,
            words: said(words, "the prompt")?,
            limit: span(limit, "the limit")?,
        })
    }

    fn ask(&self, state: &mut State, wanted: &Wanted) -> Result<String, Fail> {
        self.ask_until(state, wanted, |answer| Some(answer.to_string()))
    }

    /// Asks until an answer fits, a few times at the most.
    fn ask_until<T>(
        &self,
        state: &mut State,
        wanted: &Wanted,
        fits: impl Fn(&str) -> Option<T>,
    ) -> Result<T, Fail> {
        let Self { act, target, words, limit } = self;
        let mut last = String::new();
        for _ in 0..TRIES {
            let answer = state.room.prompt(act, target, words, wanted, *limit)?.ok_or_else(|| {
                let why = format!("nobody answered within {limit}: {words}");
                Fail::Halt(Halt { ending: Ending::Undecided, why })
            })?;
            if let Some(value) = fits(&answer) {
                return Ok(value);
            }
            state.room.remark(&format!("'{answer}' is no answer to that: {}", asked_for(wanted)))?;
            last = answer;
        }
        let why = format!("no usable answer after {TRIES} times, the last was '{last}': {words}");
        Err(Fail::Halt(Halt { ending: Ending::Undecided, why }))
    }
}

fn asked_for(wanted: &Wanted) -> String {
    match wanted {
        Wanted::Done => "say 'done' when it is done".into(),
        Wanted::Choice { options } => format!("one of {}", options.join(", ")),
        Wanted::Number { unit, low, high } => format!("a number from {low} to {high} {}", unit.print()),
        Wanted::Text => "words".into(),
    }
}

pub(crate) const RANGE: [&str; 3] = ["low", "high", "give_or_take"];

/// The range of a number that a person reads, and half of the width within which it may be off.
fn number_range(mut range: Map) -> Result<(Quantity, Quantity, f64), Fail> {
    if let Some(key) = range.keys().find(|k| !RANGE.contains(&k.as_str())) {
        return Err(misuse(
            format!("a number's range has no '{key}'"),
            nearest::cure(key, RANGE.into_iter()),
        ));
    }
    let mut part = |key: &str| {
        let value = range.remove(key).ok_or_else(|| {
            misuse(format!("the number's range has no '{key}'"), format!("add {key}: with its unit"))
        })?;
        typed::<Quantity>(value, key, "a quantity, as in 850.rpm")
    };
    let (low, high, off) = (part("low")?, part("high")?, part("give_or_take")?);
    fits(&high, &low.unit, "the number")?;
    fits(&off, &low.unit, "the number")?;
    let high = high.to(&low.unit).map_err(|e| misuse(e.to_string(), ""))?;
    let off = off.difference_to(&low.unit).map_err(|e| misuse(e.to_string(), ""))?;
    if low.value >= high.value || off.value < 0.0 {
        return Err(misuse("the number's range is empty", "give the lower end first"));
    }
    Ok((low, high, off.value))
}
