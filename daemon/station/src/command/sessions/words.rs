//! Sizes, dates and states in plain words, and read from them.

use model::{Span, Unit};
use record::{CatalogueLine, SessionState, utc_text};

/// A date as a list has it: to the minute, in UTC.
pub(super) fn minute(utc_nanos: i64) -> String {
    let text = utc_text(utc_nanos);
    format!("{} {}Z", &text[..10], &text[11..16])
}

/// Bytes with the prefixes of the SI (ISO/IEC 80000-1).
pub(super) fn bytes(bytes: u64) -> String {
    let mut value = bytes as f64;
    for unit in ["B", "kB", "MB", "GB"] {
        if value < 1000.0 {
            return if unit == "B" { format!("{bytes} B") } else { format!("{value:.1} {unit}") };
        }
        value /= 1000.0;
    }
    format!("{value:.1} TB")
}

/// Bytes from a number with a prefix of the SI (`20GB`, `500 MB`, `1.5k`) or of IEC 80000-13 (`2GiB`); none for
/// anything else.
pub(super) fn bytes_of(text: &str) -> Option<u64> {
    let (number, unit) = split(text)?;
    let unit = unit.strip_suffix('B').unwrap_or(unit);
    let (base, prefix) = match unit.strip_suffix('i') {
        Some(prefix) => (1024.0_f64, prefix),
        None => (1000.0, unit),
    };
    let power = match prefix {
        "" if base == 1000.0 => 0,
        "k" | "K" => 1,
        "M" => 2,
        "G" => 3,
        "T" => 4,
        _ => return None,
    };
    let bytes = number * base.powi(power);
    (bytes.is_finite() && (0.0..9e18).contains(&bytes)).then_some(bytes.round() as u64)
}

/// A time from a number with a UCUM unit (`100ms`, `2 s`, `1.5min`), seconds without one; none for anything else.
pub(in crate::command) fn time_of(text: &str) -> Option<Span> {
    let (number, unit) = split(text)?;
    let second = Unit::new("s").expect("the second is a unit");
    let unit = Unit::new(if unit.is_empty() { "s" } else { unit }).ok()?;
    let seconds = unit.convert(number, &second).ok()?;
    (seconds.is_finite() && seconds.abs() < 9e9).then_some(Span::from_secs_f64(seconds))
}

fn split(text: &str) -> Option<(f64, &str)> {
    let text = text.trim();
    let end = text.find(|c: char| !c.is_ascii_digit() && !matches!(c, '.' | '-' | '+')).unwrap_or(text.len());
    let number: f64 = text[..end].parse().ok()?;
    number.is_finite().then_some((number, text[end..].trim_start()))
}

/// How a session ended, or what it is where it has not.
pub(super) fn state(line: &CatalogueLine) -> &'static str {
    match (line.state, line.brief.as_ref().and_then(|brief| brief.ending)) {
        (SessionState::Running, _) => "running",
        (SessionState::Crashed, _) => "left open by a crash",
        (SessionState::Broken, _) => "cannot be read",
        (SessionState::Closed, Some(ending)) => ending.words(),
        (SessionState::Closed, None) => "ended by a crash",
    }
}

/// A text from a record for a terminal: its control characters could do anything there.
pub(super) fn plain(text: &str) -> String {
    text.chars().map(|c| if c.is_control() && c != '\t' { '\u{fffd}' } else { c }).collect()
}

/// One and many.
pub(super) fn counted(count: u64, one: &str, many: &str) -> String {
    if count == 1 { format!("1 {one}") } else { format!("{count} {many}") }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn sizes_and_times_are_read_as_people_write_them() {
        for (text, wanted) in [
            ("500", 500),
            ("1.5k", 1_500),
            ("20 GB", 20_000_000_000),
            ("2GiB", 2 << 30),
            ("1Ki", 1024),
            ("0", 0),
        ] {
            assert_eq!(bytes_of(text), Some(wanted), "{text}");
        }
        for bad in ["", "GB", "-1", "1X", "1iB", "1e99T", "1 G B", "nan", "inf"] {
            assert_eq!(bytes_of(bad), None, "{bad}");
        }
        for (text, wanted) in
            [("100ms", 100_000_000), ("2 s", 2_000_000_000), ("1.5min", 90_000_000_000), ("3", 3_000_000_000)]
        {
            assert_eq!(time_of(text), Some(Span(wanted)), "{text}");
        }
        for bad in ["", "s", "5V", "5 Cel", "1.2.3s", "99999h d"] {
            assert_eq!(time_of(bad), None, "{bad}");
        }
    }

    #[test]
    fn sizes_are_told_with_three_or_four_digits() {
        assert_eq!(
            [0, 999, 1_000, 15_300_000, 2_000_000_000_000].map(bytes),
            ["0 B", "999 B", "1.0 kB", "15.3 MB", "2.0 TB"]
        );
    }

    #[test]
    fn nothing_from_a_record_reaches_the_terminal_as_a_command() {
        assert_eq!(plain("a\u{1b}[2Jb\nc"), "a\u{fffd}[2Jb\u{fffd}c");
    }
}
