//! Gates: what the car must show, and waiting for it.

use std::sync::Arc;

use model::event::Outcome;
use model::{Condition, Demand, Ending, Quantity};
use rhai::{Array, Map, NativeCallContext};

use super::typed;
use crate::host::Scripted;
use crate::host::gate_spec::{GateSpec, Shape};
use crate::host::quantity::{span, span_or_zero};
use crate::host::registrar::Registrar;
use crate::host::sense::{Change, Gives, Meaning, Role};
use crate::room::{Fail, Halt, Waited};

pub(super) fn register(r: &mut Registrar<'_>) {
    r.area("gates");
    r.named::<GateSpec>("gate");
    conditions(r);
    modifiers(r);
    waiting(r);
}

/// above(channel: text, level: quantity) -> gate, and its kin.
fn conditions(r: &mut Registrar<'_>) {
    for (name, signature, summary, shape) in [
        ("above", "above(channel, level)", "The value is above the level.", Shape::Above),
        ("below", "below(channel, level)", "The value is below the level.", Shape::Below),
        ("steady", "steady(channel, band)", "The value changes by no more than the band.", Shape::Steady),
        ("rising", "rising(channel, by)", "The value rises by at least this much.", Shape::Rising),
        ("falling", "falling(channel, by)", "The value falls by at least this much.", Shape::Falling),
        (
            "changed",
            "changed(channel, by)",
            "The value has moved since the wait began, either way.",
            Shape::Changed,
        ),
    ] {
        let shared = Arc::clone(&r.shared);
        r.function(
            name,
            signature,
            summary,
            move |ctx: NativeCallContext<'_>, channel: &str, number: Quantity| -> Scripted<GateSpec> {
                shared.call(&ctx, |state| GateSpec::single(state, shape, channel, number))
            },
        )
        .takes(&[Role::Channel, Role::Like(0)])
        .means(Meaning::Single(shape))
        .does();
    }
    // within(channel: text, low: quantity, high: quantity) -> gate
    let shared = Arc::clone(&r.shared);
    r.function(
        "within",
        "within(channel, low, high)",
        "The value lies between two levels.",
        move |ctx: NativeCallContext<'_>,
              channel: &str,
              low: Quantity,
              high: Quantity|
              -> Scripted<GateSpec> {
            shared.call(&ctx, |state| GateSpec::within(state, channel, low, high))
        },
    )
    .takes(&[Role::Channel, Role::Like(0), Role::Like(0)])
    .means(Meaning::Within)
    .does();
    // all(conditions: list of gates) -> gate, any(…) likewise
    type Join = fn(Vec<Condition>) -> Condition;
    let joins: [(&str, &str, &str, Join); 2] = [
        ("all", "all([condition, …])", "Every one of these is so.", |of| Condition::All { of }),
        ("any", "any([condition, …])", "At least one of these is so.", |of| Condition::Any { of }),
    ];
    for (name, signature, summary, join) in joins {
        let shared = Arc::clone(&r.shared);
        r.function(
            name,
            signature,
            summary,
            move |ctx: NativeCallContext<'_>, parts: Array| -> Scripted<GateSpec> {
                shared.call(&ctx, |_| GateSpec::joined(specs(parts, name)?, join))
            },
        )
        .means(Meaning::Joined);
    }
    // not(condition: gate) -> gate
    let shared = Arc::clone(&r.shared);
    r.function(
        "not",
        "not(condition)",
        "This is not so; what is unknown stays unknown.",
        move |ctx: NativeCallContext<'_>, part: GateSpec| -> Scripted<GateSpec> {
            shared.call(&ctx, |_| {
                GateSpec::joined(vec![part], |mut of| match of.pop() {
                    Some(one) => Condition::Not { of: Box::new(one) },
                    None => Condition::All { of },
                })
            })
        },
    )
    .means(Meaning::Not);
    // guard(conditions: list of gates) -> nothing
    let shared = Arc::clone(&r.shared);
    r.function(
        "guard",
        "guard([condition, …])",
        "From here on, the first of these that comes true stops the run.",
        move |ctx: NativeCallContext<'_>, parts: Array| -> Scripted<()> {
            shared.call(&ctx, |state| {
                state.header()?;
                let of = conditions_of(parts, "a guard")?;
                state.room.guard(&of)
            })
        },
    )
    .means(Meaning::Guard)
    .does();
}

/// gate.over(time) -> gate, and its kin: each gives the gate back, changed.
fn modifiers(r: &mut Registrar<'_>) {
    type Changed = fn(GateSpec, Quantity) -> Result<GateSpec, Fail>;
    let changes: [(Change, &str, &str, &str, Changed); 6] = [
        (
            Change::Over,
            "over",
            "condition.over(time)",
            "Judges the readings of this last stretch of time.",
            |g, q| g.over(&q),
        ),
        (
            Change::Fresh,
            "fresh",
            "condition.fresh(time)",
            "Readings older than this do not count.",
            |g, q| g.fresh(&q),
        ),
        (
            Change::Hysteresis,
            "hysteresis",
            "condition.hysteresis(width)",
            "Once so, stays so until it is this far off.",
            |g, q| g.hysteresis(q),
        ),
        (
            Change::Dwell,
            "dwell",
            "gate.dwell(time)",
            "It must be so for this long without a break.",
            |mut g, q| {
                g.dwell = Some(span_or_zero(&q, "the dwell")?);
                Ok(g)
            },
        ),
        (
            Change::Dropout,
            "dropout",
            "gate.dropout(time)",
            "Missing readings for less than this do not break a dwell.",
            |mut g, q| {
                g.dropout = Some(span_or_zero(&q, "the dropout")?);
                Ok(g)
            },
        ),
        (
            Change::Limit,
            "limit",
            "gate.limit(time)",
            "Gives up after this long; every wait needs one.",
            |mut g, q| {
                g.limit = Some(span(&q, "the limit")?);
                Ok(g)
            },
        ),
    ];
    for (sense, name, signature, summary, change) in changes {
        let shared = Arc::clone(&r.shared);
        r.function(
            name,
            signature,
            summary,
            move |ctx: NativeCallContext<'_>, gate: GateSpec, by: Quantity| -> Scripted<GateSpec> {
                shared.call(&ctx, |_| change(gate, by))
            },
        )
        .means(Meaning::Change(sense));
    }
    // gate.proven() -> gate
    r.function(
        "proven",
        "gate.proven()",
        "The whole 95 % interval must lie inside, not the estimate alone.",
        |mut gate: GateSpec| {
            gate.demand = Some(Demand::Proven);
            gate
        },
    )
    .means(Meaning::Change(Change::Proven));
}

fn waiting(r: &mut Registrar<'_>) {
    // wait(gate) -> map
    let shared = Arc::clone(&r.shared);
    r.function(
        "wait",
        "wait(gate)",
        "Waits until it is so; ends the run when that does not come. Gives #{ outcome, words }.",
        move |ctx: NativeCallContext<'_>, gate: GateSpec| -> Scripted<Map> {
            shared.call(&ctx, |state| {
                let gate = gate.into_gate()?;
                let waited = state.room.wait(&gate)?;
                let halt = |ending, how: &str| {
                    Err(Fail::Halt(Halt { ending, why: format!("{how}: {}", waited.judgement) }))
                };
                match waited.outcome {
                    Outcome::Met => Ok(map(&waited)),
                    Outcome::TimedOut => {
                        halt(Ending::CarNotRight, &format!("not reached within {}", gate.limit))
                    }
                    Outcome::Unknown => {
                        halt(Ending::Undecided, &format!("could not be told within {}", gate.limit))
                    }
                    Outcome::Cancelled => halt(Ending::Stopped, "stopped while waiting"),
                    Outcome::Fault => halt(Ending::LinkLost, "the link was lost while waiting"),
                }
            })
        },
    )
    .gives(Gives::Record(&[("outcome", Gives::Words(&["met"])), ("words", Gives::Text)]))
    .means(Meaning::Wait)
    .does();

    // try_wait(gate) -> map
    let shared = Arc::clone(&r.shared);
    r.function(
        "try_wait",
        "try_wait(gate)",
        "Waits, and gives #{ outcome, words } either way; outcome is \"met\", \"timed_out\" or \"unknown\".",
        move |ctx: NativeCallContext<'_>, gate: GateSpec| -> Scripted<Map> {
            shared.call(&ctx, |state| {
                let waited = state.room.wait(&gate.into_gate()?)?;
                match waited.outcome {
                    Outcome::Met | Outcome::TimedOut | Outcome::Unknown => Ok(map(&waited)),
                    // Neither is an answer about the car, so a script has nothing to decide.
                    Outcome::Cancelled => {
                        Err(Fail::Halt(Halt { ending: Ending::Stopped, why: "stopped while waiting".into() }))
                    }
                    Outcome::Fault => Err(Fail::Halt(Halt {
                        ending: Ending::LinkLost,
                        why: "the link was lost while waiting".into(),
                    })),
                }
            })
        },
    )
    .gives(Gives::Record(&[
        ("outcome", Gives::Words(&["met", "timed_out", "unknown"])),
        ("words", Gives::Text),
    ]))
    .means(Meaning::Wait)
    .does();
}

fn map(waited: &Waited) -> Map {
    let outcome = match waited.outcome {
        Outcome::Met => "met",
        Outcome::TimedOut => "timed_out",
        Outcome::Unknown => "unknown",
        Outcome::Cancelled => "cancelled",
        Outcome::Fault => "fault",
    };
    let mut map = Map::new();
    map.insert("outcome".into(), outcome.into());
    map.insert("words".into(), waited.judgement.to_string().into());
    map
}

fn specs(parts: Array, whose: &str) -> Result<Vec<GateSpec>, Fail> {
    parts.into_iter().map(|p| typed::<GateSpec>(p, &format!("each part of {whose}"), "a condition")).collect()
}

/// The bare conditions in a list.
pub(super) fn conditions_of(parts: Array, what: &str) -> Result<Vec<Condition>, Fail> {
    specs(parts, what)?.into_iter().map(|spec| spec.into_condition(what)).collect()
}
