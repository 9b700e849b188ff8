//! Quantities as scripts use them: units on every number that has one.

use std::cmp::Ordering;

use model::{Quantity, Span, Unit};

use super::fault::misuse;
use crate::room::Fail;

/// A unit in words; the plain number has a name of its own here.
pub(crate) fn unit_words(unit: &Unit) -> &str {
    match unit.print() {
        "" => "a plain number",
        words => words,
    }
}

/// A quantity in words, to six significant digits.
pub(crate) fn words(quantity: &Quantity) -> String {
    let mut text = number(quantity.value);
    let unit = quantity.unit.print();
    if !unit.is_empty() {
        text.push(' ');
        text.push_str(unit);
    }
    text
}

fn number(value: f64) -> String {
    if value == 0.0 {
        return "0".into();
    }
    let size = value.abs().log10().floor();
    if !value.is_finite() || !(-5.0..9.0).contains(&size) {
        return format!("{value:e}");
    }
    let digits = (5.0 - size).clamp(0.0, 9.0) as usize;
    let text = format!("{value:.digits$}");
    if text.contains('.') { text.trim_end_matches('0').trim_end_matches('.').into() } else { text }
}

/// A length of time above zero.
pub(crate) fn span(quantity: &Quantity, what: &str) -> Result<Span, Fail> {
    let span = span_or_zero(quantity, what)?;
    if span > Span::ZERO {
        Ok(span)
    } else {
        Err(misuse(format!("{what} is {}", words(quantity)), "give a time above zero"))
    }
}

/// A length of time, zero allowed.
pub(crate) fn span_or_zero(quantity: &Quantity, what: &str) -> Result<Span, Fail> {
    let second = Unit::new("s").expect("the second is a unit");
    let seconds = quantity.to(&second).map_err(|_| {
        misuse(
            format!("{what} is given as {}, which is no length of time", words(quantity)),
            "give it as 5.seconds",
        )
    })?;
    if seconds.value.is_finite() && seconds.value >= 0.0 {
        Ok(Span::from_secs_f64(seconds.value))
    } else {
        Err(misuse(format!("{what} is {}", words(quantity)), "give a time that is not negative"))
    }
}

/// The quantity is a finite number that converts to the unit.
pub(crate) fn fits(quantity: &Quantity, unit: &Unit, whose: &str) -> Result<(), Fail> {
    if !quantity.unit.compatible(unit) {
        let (want, got) = (unit_words(unit), unit_words(&quantity.unit));
        return Err(misuse(
            format!("{whose} is measured in {want}, and {} is in {got}", words(quantity)),
            format!(
                "give it in {want}, or with the UCUM code: quantity({}, \"{}\")",
                number(quantity.value),
                unit.code()
            ),
        ));
    }
    if quantity.value.is_finite() {
        Ok(())
    } else {
        Err(misuse(format!("{} is not a number to compare {whose} with", quantity.value), ""))
    }
}

/// Two values on a scale, for comparison.
pub(crate) fn compare(a: &Quantity, b: &Quantity) -> Result<Option<Ordering>, Fail> {
    let b = b.to(&a.unit).map_err(|_| unlike(a, b))?;
    Ok(a.value.partial_cmp(&b.value))
}

/// Sum or difference in the unit of the first. Temperatures on two scales are refused, because 20 °C less
/// 68 °F may mean a point or a difference.
pub(crate) fn add(a: &Quantity, b: &Quantity, sign: f64) -> Result<Quantity, Fail> {
    let zero = b.unit.convert(0.0, &a.unit).map_err(|_| unlike(a, b))?;
    if zero != 0.0 {
        return Err(misuse(
            format!("{} and {} are on two scales with different zeros", words(a), words(b)),
            format!("bring one to the other first: .to(\"{}\")", a.unit.code()),
        ));
    }
    let b = b.difference_to(&a.unit).map_err(|_| unlike(a, b))?;
    Ok(Quantity::new(a.value + sign * b.value, a.unit.clone()))
}

fn unlike(a: &Quantity, b: &Quantity) -> Fail {
    misuse(format!("{} and {} measure different things", words(a), words(b)), "compare like with like")
}

#[cfg(test)]
mod tests {
    use super::*;

    fn quantity(value: f64, code: &str) -> Quantity {
        Quantity::new(value, Unit::new(code).unwrap())
    }

    #[test]
    fn numbers_are_printed_without_noise() {
        for (value, text) in [
            (0.1 + 0.2, "0.3"),
            (873.126_354_7, "873.126"),
            (75.0, "75"),
            (-12.5, "-12.5"),
            (1_234_567.0, "1234567"),
            (f64::NAN, "NaN"),
            (f64::INFINITY, "inf"),
        ] {
            assert_eq!(number(value), text);
        }
    }

    #[test]
    fn temperatures_on_two_scales_do_not_add_but_compare() {
        // 20 °C is 68 °F exactly (UCUM, definition of [degF], from memory).
        let (c, f) = (quantity(20.0, "Cel"), quantity(68.0, "[degF]"));
        assert!(add(&c, &f, -1.0).is_err());
        let f_in_c = f.to(&c.unit).unwrap();
        assert!((f_in_c.value - 20.0).abs() < 1e-9);
        assert_eq!(compare(&c, &quantity(67.0, "[degF]")).unwrap(), Some(Ordering::Greater));
        let sum = add(&quantity(1.0, "min"), &quantity(30.0, "s"), 1.0).unwrap();
        assert_eq!(words(&sum), "1.5 min");
    }

    #[test]
    fn only_lengths_of_time_are_spans() {
        assert_eq!(span(&quantity(1.5, "min"), "limit").unwrap(), Span::from_secs(90));
        for bad in [quantity(0.0, "s"), quantity(-1.0, "s"), quantity(f64::NAN, "s"), quantity(3.0, "V")] {
            assert!(span(&bad, "limit").is_err(), "{bad:?}");
        }
    }
}
