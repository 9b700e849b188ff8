//! Units by their UCUM code, with conversion.
//!
//! The grammar is the part of the Unified Code for Units of Measure (UCUM, version 2.1, clauses 3 to 12,
//! from memory) that a garage needs: prefixes, `.` and `/`, integer exponents, integer factors, annotations
//! in braces, and the two temperature scales with an offset. UCUM gives annotations no meaning; here a
//! counted thing (`{step}`, `{turn}`, `{count}`) is kept apart from every other, so that steps cannot be
//! compared with turns. Revolutions (`{rev}`) are the exception, `{rev}/min` being the same as `/min`.

use std::borrow::Cow;
use std::fmt;
use std::sync::Arc;

use schemars::{JsonSchema, Schema, SchemaGenerator, json_schema};
use serde::{Deserialize, Serialize};

/// Why a text is not a unit, or one unit cannot become another.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum UnitError {
    /// The text is not a UCUM code that is known here.
    #[error("'{code}' is not a known UCUM unit: {why}")]
    Unknown {
        /// The text as given.
        code: String,
        /// What stopped the reading.
        why: String,
    },
    /// The two measure different things.
    #[error("'{from}' cannot be converted to '{to}': they measure different things")]
    Mismatch {
        /// The unit given.
        from: String,
        /// The unit wanted.
        to: String,
    },
}

/// Exponents of metre, second, gram, kelvin, coulomb, radian, candela (the base units of UCUM, clause 28).
type Dimension = [i8; 7];

#[derive(Debug, PartialEq)]
struct Meaning {
    factor: f64,
    offset: f64,
    dimension: Dimension,
    counted: String,
}

/// A unit, kept by its UCUM code.
#[derive(Clone, Serialize, Deserialize)]
#[serde(try_from = "String", into = "String")]
pub struct Unit {
    code: Arc<str>,
    meaning: Arc<Meaning>,
}

impl Unit {
    /// Reads a UCUM code.
    pub fn new(code: &str) -> Result<Self, UnitError> {
        let meaning =
            parse(code).map_err(|why| UnitError::Unknown { code: code.chars().take(80).collect(), why })?;
        Ok(Self { code: Arc::from(code), meaning: Arc::new(meaning) })
    }

    /// The number one: no unit at all.
    pub fn one() -> Self {
        Self {
            code: Arc::from("1"),
            meaning: Arc::new(Meaning {
                factor: 1.0,
                offset: 0.0,
                dimension: [0; 7],
                counted: String::new(),
            }),
        }
    }

    /// The UCUM code.
    pub fn code(&self) -> &str {
        &self.code
    }

    /// How the unit is printed for people.
    pub fn print(&self) -> &str {
        match &*self.code {
            "Cel" => "°C",
            "[degF]" => "°F",
            "{rev}/min" | "/min" => "r/min",
            "deg" => "°",
            "{step}" => "steps",
            "{turn}" => "turns",
            "{count}" => "counts",
            "Ohm" => "Ω",
            "1" => "",
            code => code,
        }
    }

    /// Whether both measure the same thing, so that one converts to the other.
    pub fn compatible(&self, other: &Self) -> bool {
        self.meaning.dimension == other.meaning.dimension && self.meaning.counted == other.meaning.counted
    }

    fn factor_to(&self, to: &Self) -> Result<f64, UnitError> {
        if self.compatible(to) {
            Ok(self.meaning.factor / to.meaning.factor)
        } else {
            Err(UnitError::Mismatch { from: self.code.to_string(), to: to.code.to_string() })
        }
    }

    /// Converts a point on this unit's scale to another's: 20 Cel is 68 \[degF\].
    pub fn convert(&self, value: f64, to: &Self) -> Result<f64, UnitError> {
        let factor = self.factor_to(to)?;
        if self.meaning == to.meaning {
            return Ok(value);
        }
        if self.meaning.offset == 0.0 && to.meaning.offset == 0.0 {
            return Ok(value * factor);
        }
        Ok((value * self.meaning.factor + self.meaning.offset - to.meaning.offset) / to.meaning.factor)
    }

    /// Converts a difference: a rise of 20 Cel is a rise of 36 \[degF\].
    pub fn convert_difference(&self, value: f64, to: &Self) -> Result<f64, UnitError> {
        Ok(value * self.factor_to(to)?)
    }
}

impl JsonSchema for Unit {
    fn schema_name() -> Cow<'static, str> {
        "Unit".into()
    }

    fn json_schema(_: &mut SchemaGenerator) -> Schema {
        json_schema!({ "type": "string", "description": "A unit by its UCUM code.", "minLength": 1, "maxLength": 40 })
    }
}

impl PartialEq for Unit {
    fn eq(&self, other: &Self) -> bool {
        self.code == other.code
    }
}

impl Eq for Unit {}

impl TryFrom<String> for Unit {
    type Error = UnitError;
    fn try_from(code: String) -> Result<Self, UnitError> {
        Self::new(&code)
    }
}

impl From<Unit> for String {
    fn from(unit: Unit) -> Self {
        unit.code.to_string()
    }
}

impl fmt::Display for Unit {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(&self.code)
    }
}

impl fmt::Debug for Unit {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "Unit({:?})", &*self.code)
    }
}

const M: Dimension = [1, 0, 0, 0, 0, 0, 0];
const S: Dimension = [0, 1, 0, 0, 0, 0, 0];
const G: Dimension = [0, 0, 1, 0, 0, 0, 0];
const K: Dimension = [0, 0, 0, 1, 0, 0, 0];
const NONE: Dimension = [0; 7];

/// Code, factor to the base units, offset in kelvin, dimension, whether prefixes may stand before it.
///
/// Factors of non-metric units: UCUM tables (from memory): pound-force per square inch 6 894.757 293 168 Pa,
/// standard atmosphere 101 325 Pa.
const ATOMS: &[(&str, f64, f64, Dimension, bool)] = &[
    ("m", 1.0, 0.0, M, true),
    ("s", 1.0, 0.0, S, true),
    ("g", 1.0, 0.0, G, true),
    ("K", 1.0, 0.0, K, true),
    ("C", 1.0, 0.0, [0, 0, 0, 0, 1, 0, 0], true),
    ("rad", 1.0, 0.0, [0, 0, 0, 0, 0, 1, 0], true),
    ("cd", 1.0, 0.0, [0, 0, 0, 0, 0, 0, 1], true),
    ("Hz", 1.0, 0.0, [0, -1, 0, 0, 0, 0, 0], true),
    ("N", 1e3, 0.0, [1, -2, 1, 0, 0, 0, 0], true),
    ("Pa", 1e3, 0.0, [-1, -2, 1, 0, 0, 0, 0], true),
    ("J", 1e3, 0.0, [2, -2, 1, 0, 0, 0, 0], true),
    ("W", 1e3, 0.0, [2, -3, 1, 0, 0, 0, 0], true),
    ("A", 1.0, 0.0, [0, -1, 0, 0, 1, 0, 0], true),
    ("V", 1e3, 0.0, [2, -2, 1, 0, -1, 0, 0], true),
    ("Ohm", 1e3, 0.0, [2, -1, 1, 0, -2, 0, 0], true),
    ("bar", 1e8, 0.0, [-1, -2, 1, 0, 0, 0, 0], true),
    ("atm", 101_325e3, 0.0, [-1, -2, 1, 0, 0, 0, 0], false),
    ("[psi]", 6_894_757.293_168, 0.0, [-1, -2, 1, 0, 0, 0, 0], false),
    ("L", 1e-3, 0.0, [3, 0, 0, 0, 0, 0, 0], true),
    ("l", 1e-3, 0.0, [3, 0, 0, 0, 0, 0, 0], true),
    ("min", 60.0, 0.0, S, false),
    ("h", 3_600.0, 0.0, S, false),
    ("d", 86_400.0, 0.0, S, false),
    ("deg", std::f64::consts::PI / 180.0, 0.0, [0, 0, 0, 0, 0, 1, 0], false),
    ("circ", std::f64::consts::TAU, 0.0, [0, 0, 0, 0, 0, 1, 0], false),
    ("Cel", 1.0, 273.15, K, false),
    ("[degF]", 5.0 / 9.0, 459.67 * 5.0 / 9.0, K, false),
    ("%", 1e-2, 0.0, NONE, false),
    ("[ppm]", 1e-6, 0.0, NONE, false),
];

/// Metric prefixes (UCUM clause 27).
const PREFIXES: &[(&str, f64)] =
    &[("M", 1e6), ("k", 1e3), ("h", 1e2), ("d", 1e-1), ("c", 1e-2), ("m", 1e-3), ("u", 1e-6), ("n", 1e-9)];

struct Atom {
    factor: f64,
    offset: f64,
    dimension: Dimension,
    counted: String,
}

fn parse(code: &str) -> Result<Meaning, String> {
    if code.is_empty() {
        return Err("it is empty; the code of a plain number is '1'".into());
    }
    if code.len() > 40 {
        return Err("it is longer than 40 characters".into());
    }
    let mut meaning = Meaning { factor: 1.0, offset: 0.0, dimension: NONE, counted: String::new() };
    let mut rest = code;
    let mut divide = false;
    let mut parts = 0;
    if let Some(after) = rest.strip_prefix('/') {
        (rest, divide) = (after, true);
        parts = 1;
    }
    loop {
        let (part, after, next_divides) = split(rest)?;
        let atom = component(part)?;
        parts += 1;
        let sign: i8 = if divide { -1 } else { 1 };
        meaning.factor *= atom.factor.powi(i32::from(sign));
        meaning.offset += atom.offset;
        for (sum, exponent) in meaning.dimension.iter_mut().zip(atom.dimension) {
            *sum = sum.checked_add(sign * exponent).ok_or("its exponents are too large")?;
        }
        if !atom.counted.is_empty() {
            meaning.counted.push_str(if divide { "/" } else { "." });
            meaning.counted.push_str(&atom.counted);
        }
        match after {
            Some(text) => (rest, divide) = (text, next_divides),
            None => break,
        }
    }
    if meaning.offset != 0.0 && parts > 1 {
        return Err("a temperature scale with an offset cannot be multiplied or divided; use K".into());
    }
    if !(meaning.factor.is_finite() && meaning.factor > 0.0) {
        return Err("its factor is out of range".into());
    }
    Ok(meaning)
}

/// The first component, what follows its operator, and whether that operator divides.
fn split(text: &str) -> Result<(&str, Option<&str>, bool), String> {
    let mut deep = false;
    for (i, c) in text.char_indices() {
        match c {
            '{' | '[' => deep = true,
            '}' | ']' => deep = false,
            '.' | '/' if !deep => return Ok((&text[..i], Some(&text[i + 1..]), c == '/')),
            _ => {}
        }
    }
    if deep { Err("a bracket is not closed".into()) } else { Ok((text, None, false)) }
}

fn component(part: &str) -> Result<Atom, String> {
    let (bare, annotation) = match part.find('{') {
        Some(i) if part.ends_with('}') => (&part[..i], &part[i + 1..part.len() - 1]),
        Some(_) => return Err(format!("text follows the annotation in '{part}'")),
        None => (part, ""),
    };
    if bare.is_empty() {
        if annotation.is_empty() {
            return Err("a part of it is empty".into());
        }
        let counted = if annotation == "rev" { String::new() } else { annotation.to_string() };
        return Ok(Atom { factor: 1.0, offset: 0.0, dimension: NONE, counted });
    }
    if bare.bytes().all(|b| b.is_ascii_digit()) {
        let factor: f64 = bare.parse().map_err(|_| "its number is out of range")?;
        return Ok(Atom { factor, offset: 0.0, dimension: NONE, counted: String::new() });
    }
    let digits = bare.trim_end_matches(|c: char| c.is_ascii_digit());
    let (name, exponent) = if digits.len() == bare.len() {
        (bare, 1)
    } else {
        let name = digits.strip_suffix(['-', '+']).unwrap_or(digits);
        let exponent: i8 = bare[name.len()..].parse().map_err(|_| "its exponent is out of range")?;
        (name, exponent)
    };
    let (factor, offset, dimension) = atom(name).ok_or_else(|| format!("'{name}' is not a unit"))?;
    if offset != 0.0 && exponent != 1 {
        return Err("a temperature scale with an offset cannot be raised to a power; use K".into());
    }
    let mut raised = NONE;
    for (to, from) in raised.iter_mut().zip(dimension) {
        *to = from.checked_mul(exponent).ok_or("its exponents are too large")?;
    }
    Ok(Atom { factor: factor.powi(i32::from(exponent)), offset, dimension: raised, counted: String::new() })
}

fn atom(name: &str) -> Option<(f64, f64, Dimension)> {
    if let Some((_, factor, offset, dimension, _)) = ATOMS.iter().find(|a| a.0 == name) {
        return Some((*factor, *offset, *dimension));
    }
    PREFIXES.iter().find_map(|(prefix, scale)| {
        let bare = name.strip_prefix(prefix)?;
        let (_, factor, _, dimension, _) = ATOMS.iter().find(|a| a.0 == bare && a.4)?;
        Some((factor * scale, 0.0, *dimension))
    })
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    fn convert(value: f64, from: &str, to: &str) -> f64 {
        Unit::new(from).unwrap().convert(value, &Unit::new(to).unwrap()).unwrap()
    }

    #[test]
    fn converts_as_the_si_brochure_and_nist_say() {
        // NIST SP 811 (2008), appendix B.8 and B.9, from memory.
        let cases = [
            (20.0, "Cel", "[degF]", 68.0),
            (100.0, "Cel", "K", 373.15),
            (212.0, "[degF]", "Cel", 100.0),
            (1.0, "[psi]", "kPa", 6.894_757),
            (1.0, "bar", "kPa", 100.0),
            (1.0, "atm", "hPa", 1013.25),
            (3600.0, "s", "h", 1.0),
            (36.0, "km/h", "m/s", 10.0),
            (1.0, "V/A", "Ohm", 1.0),
            (1.0, "N.m", "J", 1.0),
            (60.0, "/min", "Hz", 1.0),
            (850.0, "{rev}/min", "/min", 850.0),
            (50.0, "%", "1", 0.5),
            (1.0, "L/h", "mL/h", 1000.0),
        ];
        for (value, from, to, expected) in cases {
            let got = convert(value, from, to);
            assert!((got - expected).abs() <= 1e-6 * expected.abs(), "{value} {from} = {got} {to}");
        }
    }

    #[test]
    fn a_difference_has_no_offset() {
        let (c, f) = (Unit::new("Cel").unwrap(), Unit::new("[degF]").unwrap());
        assert!((c.convert_difference(20.0, &f).unwrap() - 36.0).abs() < 1e-9);
    }

    #[test]
    fn counted_things_stay_apart() {
        let (steps, turns) = (Unit::new("{step}").unwrap(), Unit::new("{turn}").unwrap());
        assert!(steps.convert(1.0, &turns).is_err());
        assert!(steps.convert(1.0, &Unit::one()).is_err());
        assert!(Unit::new("V").unwrap().convert(1.0, &Unit::new("Cel").unwrap()).is_err());
    }

    #[test]
    fn refuses_with_the_reason() {
        for (code, why) in [
            ("", "empty"),
            ("volt", "not a unit"),
            ("V/", "empty"),
            ("Cel/s", "offset"),
            ("Cel2", "offset"),
            ("{step", "not closed"),
            ("s999", "exponent"),
            ("kmin", "not a unit"),
        ] {
            let error = Unit::new(code).unwrap_err().to_string();
            assert!(error.contains(why), "{code}: {error}");
        }
    }

    proptest! {
        #[test]
        fn no_text_panics(code in "\\PC{0,12}") {
            let _ = Unit::new(&code);
        }

        #[test]
        fn there_and_back_is_the_same(value in -1e6..1e6f64, i in 0..ATOMS.len(), j in 0..ATOMS.len()) {
            let (a, b) = (Unit::new(ATOMS[i].0).unwrap(), Unit::new(ATOMS[j].0).unwrap());
            if let Ok(there) = a.convert(value, &b) {
                let back = b.convert(there, &a).unwrap();
                prop_assert!((back - value).abs() <= 1e-6 * value.abs().max(1.0));
            } else {
                prop_assert!(!a.compatible(&b));
            }
        }
    }
}
