//! Dates as people write them.

use time::OffsetDateTime;
use time::format_description::well_known::Rfc3339;

const DAY: i64 = 86_400_000_000_000;

/// Reads a date or a moment: `2026-11-25`, `2026-11-25T08:00`, `2026-11-25T08:00:00.5Z`, `2026-11-25 10:00+02:00`
/// (RFC 3339, whose letters may be left out where nothing else can be meant). Without an offset it is UTC. Gives
/// the first nanosecond that the text stands for, since 1970-01-01T00:00:00Z, and how many follow it: a date
/// stands for its whole day, a minute for its minute. None for anything else, and outside of the years 1677 to
/// 2262.
pub fn utc_of(text: &str) -> Option<(i64, i64)> {
    let text = text.trim();
    if !text.is_ascii() || text.len() > 40 {
        return None;
    }
    let (day, rest) = text.split_at_checked(10)?;
    let (clock, offset) = match rest.strip_prefix(['T', 't', ' ']) {
        None if rest.is_empty() => ("00:00:00", "Z"),
        None => return None,
        Some(rest) => {
            let at = rest.find(['Z', 'z', '+', '-']).unwrap_or(rest.len());
            (&rest[..at], if at == rest.len() { "Z" } else { &rest[at..] })
        }
    };
    let seconds = if clock.len() == 5 { ":00" } else { "" };
    let moment = OffsetDateTime::parse(&format!("{day}T{clock}{seconds}{offset}"), &Rfc3339).ok()?;
    let nanos = i64::try_from(moment.unix_timestamp_nanos()).ok()?;
    let width = match (rest.is_empty(), clock.len()) {
        (true, _) => DAY,
        (_, 5) => 60_000_000_000,
        (_, 8) => 1_000_000_000,
        _ => 1,
    };
    Some((nanos, width))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::layout::utc_text;

    #[test]
    fn dates_are_read_as_rfc_3339_has_them() {
        // RFC 3339, 5.8 (examples, from memory): 1985-04-12T23:20:50.52Z; 1996-12-19T16:39:57-08:00 is
        // 1996-12-20T00:39:57Z.
        assert_eq!(utc_of("1985-04-12T23:20:50.52Z"), Some((482_196_050_520_000_000, 1)));
        assert_eq!(utc_text(utc_of("1996-12-19T16:39:57-08:00").unwrap().0), "1996-12-20T00:39:57Z");
        assert_eq!(utc_of("1970-01-02"), Some((DAY, DAY)));
        assert_eq!(utc_of(" 1970-01-01 00:01 "), Some((60_000_000_000, 60_000_000_000)));
        assert_eq!(utc_of("1970-01-01T02:00:01+02:00"), Some((1_000_000_000, 1_000_000_000)));
        for bad in [
            "",
            "yesterday",
            "2026-02-30",
            "2026-1-1",
            "2026-01-01T",
            "2026-01-01T25:00",
            "20260101",
            "2026-01-01x",
            "2026-01-01T10",
            "3000-01-01",
            "2026-01-01T10:00+",
            "２０２６-01-01",
        ] {
            assert_eq!(utc_of(bad), None, "{bad}");
        }
    }
}
