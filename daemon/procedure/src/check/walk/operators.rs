//! Operators: what they give, what they refuse, and comparisons that can only come out one way.

use std::collections::BTreeMap;

use model::Quantity;
use rhai::{Expr, Position};

use super::Walker;
use crate::check::finding::Kind;
use crate::check::flow::Life;
use crate::check::value::{Shape, Truth, Value};
use crate::host::quantity::{add, unit_words, words};
use crate::room::Fail;

/// What an operator refuses.
#[derive(Debug)]
struct Wrong {
    kind: Kind,
    seen: String,
    cure: String,
}

/// How a comparison came out on every way that led there.
#[derive(Debug)]
struct Outcome {
    always: Option<bool>,
    seen: String,
    cure: String,
}

/// Comparisons by their place.
#[derive(Debug, Default)]
pub(in crate::check) struct Outcomes(BTreeMap<Position, Outcome>);

impl Outcomes {
    /// Notes an outcome. Without words nothing speaks for a slip, as with a variable that has one value so far.
    fn put(&mut self, at: Position, truth: Truth, told: Option<(String, String)>) {
        let outcome = match truth {
            Truth::Known { value, car: false } => Some(value),
            _ => None,
        };
        let (seen, cure) = told.unwrap_or_default();
        match self.0.get_mut(&at) {
            Some(former) => {
                if former.always != outcome {
                    former.always = None;
                }
                if former.seen.is_empty() {
                    (former.seen, former.cure) = (seen, cure);
                }
            }
            None => {
                self.0.insert(at, Outcome { always: outcome, seen, cure });
            }
        }
    }

    /// Comparisons that came out one way wherever they were reached, though what is compared can differ.
    pub(in crate::check) fn never(self) -> impl Iterator<Item = (Position, String, String)> {
        let told = self.0.into_iter().filter(|(_, o)| o.always.is_some() && !o.seen.is_empty());
        told.map(|(at, outcome)| (at, outcome.seen, outcome.cure))
    }
}

impl Walker<'_> {
    pub(super) fn unary(&mut self, symbol: &str, value: &Value, at: Position) -> Value {
        let mut given = Value::default();
        for shape in value.shapes() {
            given = given.or(match shape {
                Shape::Int(number) if symbol == "-" => Shape::Int(number.and_then(i64::checked_neg)).into(),
                Shape::Float(number) if symbol == "-" => Shape::Float(number.map(|n| -n)).into(),
                Shape::Amount { unit, value } if symbol == "-" => {
                    Shape::Amount { unit: unit.clone(), value: value.map(|v| -v) }.into()
                }
                Shape::Int(_) | Shape::Float(_) => shape.clone().into(),
                Shape::Any => Value::any(),
                _ => Value::default(),
            });
        }
        if given.shapes().is_empty() && !value.shapes().is_empty() {
            let seen = format!("{symbol} cannot take a {}", value.words());
            self.mistake(Kind::Arguments, at, seen, part_of(value));
            return Value::any();
        }
        given
    }

    /// An operator between two values.
    pub(super) fn binary(
        &mut self,
        symbol: &str,
        a: &Value,
        b: &Value,
        at: Position,
        places: (Position, Position),
        sides: (&Expr, &Expr),
    ) -> Value {
        let mut given = Value::default();
        let mut wrong: Option<Wrong> = None;
        let mut right = false;
        let mut absent = None;
        for x in a.shapes() {
            for y in b.shapes() {
                match pair(symbol, x, y) {
                    Ok(value) => {
                        given = given.or(value);
                        right = true;
                    }
                    Err(why) => {
                        if *x == Shape::Nothing && a.may_be_nothing() {
                            absent = Some((places.0, sides.0));
                        } else if *y == Shape::Nothing && b.may_be_nothing() {
                            absent = Some((places.1, sides.1));
                        }
                        wrong = wrong.or(Some(why));
                    }
                }
            }
        }
        if let (Some(wrong), false) = (wrong, right) {
            self.mistake(wrong.kind, at, wrong.seen, wrong.cure);
            return if is_comparison(symbol) { Value::flag(None) } else { Value::any() };
        }
        // Only what was just read is surely what may be missing: parts of one thing are missing together.
        if let Some((place, Expr::Variable(..) | Expr::FnCall(..))) = absent {
            self.absent(place, symbol);
        }
        if matches!(symbol, "==" | "!=") && self.flow.life != Life::Dead {
            let told = one_way(a, b, symbol == "==").or_else(|| one_way(b, a, symbol == "=="));
            self.outcomes.put(at, given.truth(), told);
        }
        if given.shapes().is_empty() { Value::any() } else { given }
    }
}

/// What speaks for a slip where a comparison always comes out the same: several things that the one side can be,
/// and the other is none of them.
fn one_way(a: &Value, b: &Value, equal: bool) -> Option<(String, String)> {
    let always = if equal { "never" } else { "always" };
    if let (Some(can_be), Some(text)) = (a.texts(), b.exact_text())
        && can_be.len() > 1
        && !can_be.contains(&text)
    {
        let seen = format!("this is {always} so: \"{text}\" is none of {}", quoted(&can_be));
        return Some((seen, crate::nearest::cure(text, can_be.into_iter())));
    }
    if a.is_any() || b.is_any() || a.shapes().is_empty() || b.shapes().is_empty() {
        return None;
    }
    let unlike = |x: &Shape, y: &Shape| x.words() != y.words();
    let nothing = |value: &Value| value.shapes().iter().all(|shape| *shape == Shape::Nothing);
    let apart = a.shapes().iter().all(|x| b.shapes().iter().all(|y| unlike(x, y)));
    if apart && !nothing(a) && !nothing(b) {
        let seen = format!("this is {always} so: a {} is compared with a {}", a.words(), b.words());
        return Some((seen, part_of(a)));
    }
    None
}

fn quoted(texts: &[&str]) -> String {
    texts.iter().map(|text| format!("\"{text}\"")).collect::<Vec<_>>().join(", ")
}

/// What of a value can be calculated with.
fn part_of(value: &Value) -> String {
    match value.only() {
        Some(Shape::Measured(_)) => "a measurement has .value, .low and .high".into(),
        Some(Shape::Window { .. }) => "a window has .low, .high, .middle and .width".into(),
        Some(Shape::Trace(_)) => "a trace has .lowest, .highest and others".into(),
        Some(Shape::Map { entries, .. }) if !entries.is_empty() => {
            let keys: Vec<String> = entries.keys().map(|key| format!(".{key}")).collect();
            format!("the map has {}", keys.join(", "))
        }
        _ => "compare like with like".into(),
    }
}

fn is_comparison(symbol: &str) -> bool {
    matches!(symbol, "==" | "!=" | "<" | "<=" | ">" | ">=")
}

fn pair(symbol: &str, x: &Shape, y: &Shape) -> Result<Value, Wrong> {
    use Shape::{Amount, Any, Char, Flag, Float, Int, List, ListOf, Map, Nothing, Text};
    if is_comparison(symbol) {
        return compare(symbol, x, y);
    }
    match (x, y) {
        (Text(a), Text(b)) if symbol == "+" => {
            let joined = a.as_ref().zip(b.as_ref()).map(|(a, b)| format!("{a}{b}").into());
            Ok(Text(joined).into())
        }
        (Text(a), Int(Some(b))) if symbol == "+" => {
            Ok(Text(a.as_ref().map(|a| format!("{a}{b}").into())).into())
        }
        (Text(_), _) | (_, Text(_)) if symbol == "+" => Ok(Text(None).into()),
        (Text(_), Text(_) | Char | Any) if symbol == "-" => Ok(Text(None).into()),
        (Any, _) | (_, Any) => Ok(Value::any()),
        (Int(a), Int(b)) => {
            let both = a.zip(*b);
            let number = match symbol {
                "+" => both.and_then(|(a, b)| a.checked_add(b)),
                "-" => both.and_then(|(a, b)| a.checked_sub(b)),
                "*" => both.and_then(|(a, b)| a.checked_mul(b)),
                _ => None,
            };
            Ok(Int(number).into())
        }
        (Int(_) | Float(_), Int(_) | Float(_)) => Ok(Float(None).into()),
        (Amount { .. }, Amount { .. }) if matches!(symbol, "+" | "-") => sum(symbol, x, y),
        (Amount { unit, value }, Int(_) | Float(_)) if matches!(symbol, "*" | "/") => {
            let value = value.zip(number(y)).map(|(a, b)| if symbol == "*" { a * b } else { a / b });
            Ok(Amount { unit: unit.clone(), value }.into())
        }
        (Int(_) | Float(_), Amount { unit, value }) if symbol == "*" => {
            let value = value.zip(number(x)).map(|(a, b)| a * b);
            Ok(Amount { unit: unit.clone(), value }.into())
        }
        (Amount { .. }, Int(_) | Float(_)) | (Int(_) | Float(_), Amount { .. }) => {
            Err(wrong(Kind::Unit, symbol, x, y, "give both a unit"))
        }
        (Amount { .. }, Amount { .. }) => Err(wrong(
            Kind::Unit,
            symbol,
            x,
            y,
            "take the unit off the one that is a plain number, or .number",
        )),
        (List(_) | ListOf(_), _) if matches!(symbol, "+" | "-") => Ok(ListOf(Box::new(Value::any())).into()),
        (Map { .. }, Map { .. }) if symbol == "+" => Ok(Value::any()),
        (Flag { .. }, Flag { .. }) if matches!(symbol, "&" | "|" | "^") => Ok(Value::flag(None)),
        (Char, Char) if symbol == "+" => Ok(Text(None).into()),
        (Nothing, _) | (_, Nothing) => Err(wrong(Kind::Absent, symbol, x, y, "ask whether it is () first")),
        _ => {
            let owner = if matches!(x, Amount { .. } | Int(_) | Float(_)) { y } else { x };
            Err(wrong(Kind::Arguments, symbol, x, y, &part_of(&owner.clone().into())))
        }
    }
}

fn wrong(kind: Kind, symbol: &str, x: &Shape, y: &Shape, cure: &str) -> Wrong {
    let seen = format!("{symbol} cannot take ({}, {})", x.words(), y.words());
    Wrong { kind, seen, cure: cure.into() }
}

fn number(shape: &Shape) -> Option<f64> {
    match shape {
        Shape::Int(number) => number.map(|n| n as f64),
        Shape::Float(number) => *number,
        _ => None,
    }
}

/// Sum or difference of two quantities, as the host gives it.
fn sum(symbol: &str, x: &Shape, y: &Shape) -> Result<Value, Wrong> {
    let (Shape::Amount { unit: p, value: a }, Shape::Amount { unit: q, value: b }) = (x, y) else {
        return Ok(Value::any());
    };
    let (Some(p), Some(q)) = (p, q) else {
        return Ok(Value::amount(p.clone()));
    };
    // Where a number is known only later, any will do: the host asks for the units.
    let (one, other) =
        (Quantity::new(a.unwrap_or(1.0), p.clone()), Quantity::new(b.unwrap_or(1.0), q.clone()));
    match add(&one, &other, if symbol == "+" { 1.0 } else { -1.0 }) {
        Ok(sum) => {
            let value = a.and(*b).map(|_| sum.value);
            Ok(Shape::Amount { unit: Some(sum.unit), value }.into())
        }
        Err(fail) => {
            let cure = match fail {
                Fail::Refused(problem) => problem.cure,
                _ => String::new(),
            };
            let seen = format!("{} and {} are not of one kind", amount(p, *a), amount(q, *b));
            Err(Wrong { kind: Kind::Unit, seen, cure })
        }
    }
}

/// A quantity in words, with its number where it is known.
pub(in crate::check) fn amount(unit: &model::Unit, value: Option<f64>) -> String {
    match value {
        Some(value) => words(&Quantity::new(value, unit.clone())),
        None => format!("a quantity in {}", unit_words(unit)),
    }
}

fn compare(symbol: &str, x: &Shape, y: &Shape) -> Result<Value, Wrong> {
    use Shape::{Amount, Any, Flag, Float, Int, Nothing, Text};
    let equality = matches!(symbol, "==" | "!=");
    let unlike = || Ok(Value::flag(Some(symbol == "!=")));
    match (x, y) {
        (Any, _) | (_, Any) => Ok(Value::flag(None)),
        (Amount { unit: a, value: v }, Amount { unit: b, value: w }) => match (a, b) {
            (Some(a), Some(b)) if !a.compatible(b) => Err(Wrong {
                kind: Kind::Unit,
                seen: format!("{} and {} measure different things", amount(a, *v), amount(b, *w)),
                cure: "compare like with like".into(),
            }),
            _ => Ok(Value::flag(None)),
        },
        (Amount { .. }, Int(_) | Float(_)) | (Int(_) | Float(_), Amount { .. }) => {
            Err(wrong(Kind::Unit, symbol, x, y, "give both a unit"))
        }
        (Amount { .. }, Text(_)) | (Text(_), Amount { .. }) => {
            Err(wrong(Kind::Comparison, symbol, x, y, "compare like with like"))
        }
        (Amount { .. }, Nothing) | (Nothing, Amount { .. }) if !equality => {
            Err(wrong(Kind::Absent, symbol, x, y, "there may be no reading: ask whether it is () first"))
        }
        (Int(a), Int(b)) => Ok(Value::flag(a.zip(*b).map(|(a, b)| ordered(symbol, a.cmp(&b))))),
        (Int(_) | Float(_), Int(_) | Float(_)) => Ok(Value::flag(None)),
        (Text(a), Text(b)) => Ok(Value::flag(
            a.as_ref().zip(b.as_ref()).map(|(a, b)| ordered(symbol, a.as_str().cmp(b.as_str()))),
        )),
        (Flag { value: a, car: p }, Flag { value: b, car: q }) if equality => {
            let value = a.zip(*b).map(|(a, b)| (a == b) == (symbol == "=="));
            Ok(Flag { value, car: *p || *q }.into())
        }
        (Nothing, Nothing) => Ok(Value::flag(Some(matches!(symbol, "==" | "<=" | ">=")))),
        (Nothing, _) | (_, Nothing) if equality => unlike(),
        _ if x.words() == y.words() => Ok(Value::flag(None)),
        // The language answers with a silent no.
        _ if equality => unlike(),
        _ => {
            let owner = if matches!(x, Amount { .. } | Int(_) | Float(_)) { y } else { x };
            let cure = part_of(&owner.clone().into());
            Err(Wrong {
                kind: Kind::Comparison,
                seen: format!("this is never so: a {} is compared with a {}", x.words(), y.words()),
                cure,
            })
        }
    }
}

fn ordered(symbol: &str, order: std::cmp::Ordering) -> bool {
    match symbol {
        "==" => order.is_eq(),
        "!=" => order.is_ne(),
        "<" => order.is_lt(),
        "<=" => order.is_le(),
        ">" => order.is_gt(),
        _ => order.is_ge(),
    }
}
