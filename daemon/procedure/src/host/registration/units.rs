//! Quantities: every number that has a unit carries it.

use std::cmp::Ordering;
use std::sync::Arc;

use model::{Quantity, Unit};
use rhai::{FLOAT, INT, ImmutableString, NativeCallContext};

use super::said;
use crate::host::Scripted;
use crate::host::fault::misuse;
use crate::host::quantity::{add, compare, words};
use crate::host::registrar::Registrar;
use crate::host::sense::Meaning;
use crate::host::shared::Shared;

/// Name in scripts and UCUM code.
const UNITS: &[(&str, &str)] = &[
    ("celsius", "Cel"),
    ("fahrenheit", "[degF]"),
    ("kelvin", "K"),
    ("rpm", "{rev}/min"),
    ("volts", "V"),
    ("millivolts", "mV"),
    ("amps", "A"),
    ("milliamps", "mA"),
    ("ohms", "Ohm"),
    ("kilohms", "kOhm"),
    ("hertz", "Hz"),
    ("kilopascals", "kPa"),
    ("bar", "bar"),
    ("psi", "[psi]"),
    ("grams_per_second", "g/s"),
    ("kilometres_per_hour", "km/h"),
    ("percent", "%"),
    ("degrees", "deg"),
    ("step", "{step}"),
    ("steps", "{step}"),
    ("turn", "{turn}"),
    ("turns", "{turn}"),
    ("count", "{count}"),
    ("counts", "{count}"),
    ("milliseconds", "ms"),
    ("second", "s"),
    ("seconds", "s"),
    ("minute", "min"),
    ("minutes", "min"),
    ("hour", "h"),
    ("hours", "h"),
];

pub(super) fn register(r: &mut Registrar<'_>) {
    r.area("quantities");
    r.named::<Quantity>("quantity");

    for (name, code) in UNITS {
        let unit = Unit::new(code).expect("the table holds UCUM codes only");
        let (of_int, of_float) = (unit.clone(), unit);
        r.getter(
            name,
            &format!("number.{name}"),
            &format!("A quantity in {code} (UCUM)."),
            move |n: &mut INT| Quantity::new(*n as f64, of_int.clone()),
        )
        .means(Meaning::Unit(code));
        r.also_getter(name, move |n: &mut FLOAT| Quantity::new(*n, of_float.clone()))
            .means(Meaning::Unit(code));
    }

    general(r);
    arithmetic(r);
    comparison(r);
}

/// Construction by code, conversion, and looking inside.
fn general(r: &mut Registrar<'_>) {
    // quantity(value: number, code: text) -> quantity
    let shared = Arc::clone(&r.shared);
    r.function(
        "quantity",
        "quantity(number, \"UCUM code\")",
        "A quantity in any unit that has a UCUM code.",
        move |ctx: NativeCallContext<'_>, value: FLOAT, code: &str| by_code(&shared, &ctx, value, code),
    )
    .means(Meaning::ByCode);
    let shared = Arc::clone(&r.shared);
    r.also("quantity", move |ctx: NativeCallContext<'_>, value: INT, code: &str| {
        by_code(&shared, &ctx, value as f64, code)
    })
    .means(Meaning::ByCode);

    // quantity.to(code: text) -> quantity
    let shared = Arc::clone(&r.shared);
    r.function(
        "to",
        "quantity.to(\"UCUM code\")",
        "The same quantity in another unit, as a point on its scale.",
        move |ctx: NativeCallContext<'_>, q: Quantity, code: &str| -> Scripted<Quantity> {
            shared.call(&ctx, |_| {
                let unit = Unit::new(code).map_err(|e| misuse(e.to_string(), ""))?;
                q.to(&unit).map_err(|e| misuse(e.to_string(), ""))
            })
        },
    )
    .means(Meaning::Convert);
    // quantity.number -> number
    r.getter("number", "quantity.number", "The bare number.", |q: &mut Quantity| q.value);
    // quantity.unit -> text
    r.getter("unit", "quantity.unit", "The UCUM code of the unit.", |q: &mut Quantity| {
        q.unit.code().to_string()
    });
    // quantity.abs() -> quantity
    r.function("abs", "quantity.abs()", "The quantity without its sign.", |q: Quantity| {
        Quantity::new(q.value.abs(), q.unit)
    })
    .means(Meaning::Size);
    // quantity.to_string() -> text
    r.words::<Quantity>("quantity", words);
}

fn by_code(shared: &Shared, ctx: &NativeCallContext<'_>, value: f64, code: &str) -> Scripted<Quantity> {
    shared.call(ctx, |_| {
        let code = said(code, "the unit")?;
        Ok(Quantity::new(value, Unit::new(&code).map_err(|e| misuse(e.to_string(), ""))?))
    })
}

fn arithmetic(r: &mut Registrar<'_>) {
    for (sign, name, summary) in [
        (1.0, "+", "The sum of two quantities of one kind, in the unit of the first."),
        (-1.0, "-", "The difference of two quantities of one kind, in the unit of the first."),
    ] {
        let shared = Arc::clone(&r.shared);
        r.function(
            name,
            &format!("quantity {name} quantity"),
            summary,
            move |ctx: NativeCallContext<'_>, a: Quantity, b: Quantity| {
                shared.call(&ctx, |_| add(&a, &b, sign))
            },
        );
    }
    r.also("-", |q: Quantity| Quantity::new(-q.value, q.unit));
    r.function("*", "quantity * number", "The quantity so many times.", |q: Quantity, n: FLOAT| {
        Quantity::new(q.value * n, q.unit)
    });
    r.also("*", |q: Quantity, n: INT| Quantity::new(q.value * n as f64, q.unit));
    r.also("*", |n: FLOAT, q: Quantity| Quantity::new(q.value * n, q.unit));
    r.also("*", |n: INT, q: Quantity| Quantity::new(q.value * n as f64, q.unit));
    r.function("/", "quantity / number", "One part of so many.", |q: Quantity, n: FLOAT| {
        Quantity::new(q.value / n, q.unit)
    });
    r.also("/", |q: Quantity, n: INT| Quantity::new(q.value / n as f64, q.unit));
}

fn comparison(r: &mut Registrar<'_>) {
    type Test = fn(Option<Ordering>) -> bool;
    let tests: [(&str, Test); 6] = [
        ("<", |o| o == Some(Ordering::Less)),
        ("<=", |o| matches!(o, Some(Ordering::Less | Ordering::Equal))),
        (">", |o| o == Some(Ordering::Greater)),
        (">=", |o| matches!(o, Some(Ordering::Greater | Ordering::Equal))),
        ("==", |o| o == Some(Ordering::Equal)),
        ("!=", |o| o != Some(Ordering::Equal)),
    ];
    for (name, test) in tests {
        let shared = Arc::clone(&r.shared);
        r.function(
            name,
            &format!("quantity {name} quantity"),
            "Compares two quantities of one kind, whatever their units.",
            move |ctx: NativeCallContext<'_>, a: Quantity, b: Quantity| -> Scripted<bool> {
                shared.call(&ctx, |_| Ok(test(compare(&a, &b)?)))
            },
        );
        // The language would answer these with a silent false.
        refuse::<INT>(r, name, "a bare number", "give both a unit");
        refuse::<FLOAT>(r, name, "a bare number", "give both a unit");
        refuse::<ImmutableString>(r, name, "a text", "compare like with like");
        if !matches!(name, "==" | "!=") {
            refuse::<()>(r, name, "nothing", "there may be no reading: ask whether it is () first");
        }
    }
}

/// Makes the comparison of a quantity with something else an error, either way round.
fn refuse<T: Clone + Send + Sync + 'static>(
    r: &mut Registrar<'_>,
    name: &str,
    other: &'static str,
    cure: &'static str,
) {
    let unlike = move |shared: &Shared, ctx: &NativeCallContext<'_>, q: &Quantity| -> Scripted<bool> {
        shared.call(ctx, |_| Err(misuse(format!("{} is compared with {other}", words(q)), cure)))
    };
    let shared = Arc::clone(&r.shared);
    r.also(name, move |ctx: NativeCallContext<'_>, q: Quantity, _: T| unlike(&shared, &ctx, &q))
        .means(Meaning::Refuses);
    let shared = Arc::clone(&r.shared);
    r.also(name, move |ctx: NativeCallContext<'_>, _: T, q: Quantity| unlike(&shared, &ctx, &q))
        .means(Meaning::Refuses);
}
