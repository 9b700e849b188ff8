//! Numbers as texts.

use super::options::Digits;

/// More decimal places than a 64-bit float of a sensible size has.
const MOST_PLACES: usize = 17;

/// How a column's values are written: decimal places, or none for as many as read the same number back.
pub(super) fn places(digits: Digits, resolution: f64) -> Option<usize> {
    match digits {
        Digits::All => None,
        Digits::Places(places) => Some(usize::from(places).min(MOST_PLACES)),
        Digits::Resolution if resolution.is_finite() && resolution > 0.0 => {
            // The last place is no coarser than one count, so that two neighbours never read alike. A power of ten
            // must not become one place more by the logarithm's last bit.
            let places = (-resolution.log10() - 1e-9).ceil().clamp(0.0, MOST_PLACES as f64);
            Some(places as usize)
        }
        Digits::Resolution => None,
    }
}

/// A number; never a negative zero.
pub(super) fn number(value: f64, places: Option<usize>, decimal_comma: bool) -> String {
    let mut text = match places {
        Some(places) => format!("{value:.places$}"),
        None => format!("{value}"),
    };
    if text.starts_with('-') && !text.contains(|c: char| ('1'..='9').contains(&c)) && value.is_finite() {
        text.remove(0);
    }
    if decimal_comma {
        text = text.replace('.', ",");
    }
    text
}

/// Nanoseconds as seconds with decimal places, exact where there are nine.
pub(super) fn seconds(nanos: i64, places: usize, decimal_comma: bool) -> String {
    let places = places.min(9);
    let unit = 10_i64.pow(9 - places as u32);
    // Half a unit away from zero, as the numbers above are rounded.
    let whole = (i128::from(nanos.unsigned_abs()) + i128::from(unit / 2)) / i128::from(unit);
    let scale = 10_i128.pow(places as u32);
    let sign = if nanos < 0 && whole != 0 { "-" } else { "" };
    let point = if decimal_comma { ',' } else { '.' };
    if places == 0 {
        return format!("{sign}{whole}");
    }
    format!("{sign}{}{point}{:0places$}", whole / scale, whole % scale)
}

/// Decimal places in which a number of nanoseconds is a whole number of units.
pub(super) fn places_of(nanos: i64) -> usize {
    (0..9).find(|places| nanos % 10_i64.pow(9 - *places as u32) == 0).unwrap_or(9)
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    #[test]
    fn a_value_has_as_many_places_as_one_count_carries() {
        let of = |resolution| places(Digits::Resolution, resolution);
        for (resolution, wanted) in [
            (25.0, 0),
            (1.0, 0),
            (0.5, 1),
            (0.1, 1),
            (0.01, 2),
            (0.001, 3),
            (0.02, 2),
            (5.0 / 255.0, 2),
            (0.039, 2),
            (0.005, 3),
        ] {
            assert_eq!(of(resolution), Some(wanted), "{resolution}");
        }
        for none in [0.0, -1.0, f64::NAN, f64::INFINITY] {
            assert_eq!(of(none), None);
        }
        assert_eq!(places(Digits::Places(3), 25.0), Some(3));
    }

    #[test]
    fn numbers_and_seconds_are_written_as_they_are_read() {
        assert_eq!(number(-0.001, Some(2), false), "0.00");
        assert_eq!(number(-0.0, None, false), "0");
        assert_eq!(number(1234.5, Some(1), true), "1234,5");
        assert_eq!(number(0.1 + 0.2, None, false), "0.30000000000000004");
        assert_eq!(number(-1e-7, None, false), "-0.0000001");
        assert_eq!(seconds(1_500_000_000, 1, false), "1.5");
        assert_eq!(seconds(-1_500_000_000, 1, true), "-1,5");
        assert_eq!(seconds(999_999_999, 6, false), "1.000000");
        assert_eq!(seconds(-1, 6, false), "0.000000");
        assert_eq!(seconds(7, 9, false), "0.000000007");
        assert_eq!(seconds(2_000_000_000, 0, false), "2");
        assert_eq!([0, 100_000_000, 1_250_000_000, 1].map(places_of), [0, 1, 2, 9]);
    }

    proptest! {
        #[test]
        fn two_neighbouring_counts_never_read_alike(resolution in 1e-6..1e3f64, count in -5_000i64..5_000) {
            let places = places(Digits::Resolution, resolution);
            let text = |count: i64| number(count as f64 * resolution, places, false);
            prop_assert_ne!(text(count), text(count + 1));
            let back: f64 = text(count).parse().unwrap();
            prop_assert!((back - count as f64 * resolution).abs() <= resolution / 2.0 * 1.000_001);
        }

        #[test]
        fn all_digits_read_the_same_number_back(value: f64) {
            prop_assume!(value.is_finite());
            prop_assert_eq!(number(value, None, false).parse::<f64>().unwrap(), value);
        }
    }
}
