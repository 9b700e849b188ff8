//! Amounts as people type them: a number with its UCUM unit, a time, a size.

use model::{Quantity, Span, Unit};

/// The number at the beginning of a text, and what follows it. A comma stands for the point as well.
pub(crate) fn leading_number(text: &str) -> Option<(f64, &str)> {
    let mut end = 0;
    let bytes = text.as_bytes();
    let digits = |from: usize| bytes[from..].iter().take_while(|byte| byte.is_ascii_digit()).count();
    if matches!(bytes.first(), Some(b'+' | b'-')) {
        end += 1;
    }
    let whole = digits(end);
    end += whole;
    let mut fraction = 0;
    if matches!(bytes.get(end), Some(b'.' | b',')) {
        fraction = digits(end + 1);
        if fraction > 0 {
            end += 1 + fraction;
        }
    }
    if whole + fraction == 0 {
        return None;
    }
    if matches!(bytes.get(end), Some(b'e' | b'E')) {
        let sign = usize::from(matches!(bytes.get(end + 1), Some(b'+' | b'-')));
        let exponent = digits(end + 1 + sign);
        if exponent > 0 {
            end += 1 + sign + exponent;
        }
    }
    let number: f64 = text[..end].replace(',', ".").parse().ok()?;
    number.is_finite().then_some((number, &text[end..]))
}

/// A number with its unit: `18 Cel`, `123456 km`.
pub(crate) fn quantity(text: &str) -> Result<Quantity, String> {
    let text = text.trim();
    let (value, unit) =
        leading_number(text).ok_or_else(|| format!("'{text}' does not begin with a number"))?;
    let unit = unit.trim();
    if unit.is_empty() {
        return Err(format!("'{text}' has no unit"));
    }
    Unit::new(unit).map(|unit| Quantity::new(value, unit)).map_err(|error| error.to_string())
}

/// A number with a unit of this kind, named by any unit of it.
pub(crate) fn quantity_like(text: &str, kind: &str) -> Result<Quantity, String> {
    let quantity = quantity(text)?;
    let like = Unit::new(kind).expect("the program names units that there are");
    if quantity.unit.compatible(&like) {
        Ok(quantity)
    } else {
        Err(format!("'{}' is not of the kind of '{kind}'", quantity.unit))
    }
}

/// A time above zero: `10min`, `24 h`, `250 ms`.
pub(crate) fn time(text: &str) -> Result<Span, String> {
    let quantity = quantity_like(text, "s")?;
    let seconds = quantity.to(&Unit::new("s").expect("the second is a unit")).map_err(|e| e.to_string())?;
    let span = Span::from_secs_f64(seconds.value);
    if span > Span::ZERO { Ok(span) } else { Err(format!("'{}' is not above zero", text.trim())) }
}

/// Bytes, with the prefixes of IEC 80000-13 (kB, MB, GB by thousands; KiB, MiB, GiB by 1024).
pub(crate) fn size(text: &str) -> Result<u64, String> {
    let text = text.trim();
    let (value, unit) =
        leading_number(text).ok_or_else(|| format!("'{text}' does not begin with a number"))?;
    let factor = match unit.trim() {
        "B" => 1.0,
        "kB" => 1e3,
        "MB" => 1e6,
        "GB" => 1e9,
        "KiB" => 1024.0,
        "MiB" => 1_048_576.0,
        "GiB" => 1_073_741_824.0,
        other => return Err(format!("'{other}' is none of B, kB, MB, GB, KiB, MiB, GiB")),
    };
    let bytes = value * factor;
    if (1.0..9e18).contains(&bytes) {
        Ok(bytes as u64)
    } else {
        Err(format!("'{text}' is no size of a file"))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn amounts_are_read_with_their_units_and_refused_without() {
        assert_eq!(quantity("123456 km").unwrap().to_string(), "123456 km");
        assert_eq!(quantity("-4,5Cel").unwrap().value, -4.5);
        assert_eq!(time("10min").unwrap(), Span::from_secs(600));
        assert_eq!(time("24 h").unwrap(), Span::from_secs(86_400));
        assert_eq!(time("250 ms").unwrap(), Span::from_millis(250));
        // IEC 80000-13:2008, clause 4 (from memory): a kilobyte is 1000 bytes, a kibibyte 1024.
        assert_eq!((size("50MB"), size("1 KiB"), size("2.5 kB")), (Ok(50_000_000), Ok(1024), Ok(2500)));
        assert_eq!(quantity_like("64.4 [degF]", "K").unwrap().value, 64.4);
        for bad in ["", "km", "12", "12 parsecs", "1e999 s"] {
            assert!(quantity(bad).is_err(), "{bad}");
        }
        for bad in ["0 s", "-1 s", "10 Cel", "10"] {
            assert!(time(bad).is_err(), "{bad}");
        }
        for bad in ["50", "50 mb", "0 B", "x MB"] {
            assert!(size(bad).is_err(), "{bad}");
        }
    }
}
