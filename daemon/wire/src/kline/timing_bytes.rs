//! Times as the bytes of accessTimingParameters (ISO 14230-2, 5.3, from memory).
//!
//! Order P2min, P2max, P3min, P3max, P4min. Published texts differ on the resolution of P2max and P3min, so
//! it is a setting: [`TimingCoding`].

use model::Span;

use super::Timing;

/// Resolution of each byte.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct TimingCoding {
    /// P2min, P3min, P4min: one count.
    pub short: Span,
    /// P2max: one count for values up to F0.
    pub p2_max: Span,
    /// P3max: one count.
    pub p3_max: Span,
}

impl TimingCoding {
    /// 0.5 ms, 25 ms and 250 ms (from memory; one public text gives 0.5 ms for P2max and 250 ms for P3min).
    pub const STANDARD: Self =
        Self { short: Span::from_micros(500), p2_max: Span::from_millis(25), p3_max: Span::from_millis(250) };
}

/// For P2max, a byte above F0 counts in its low nibble by this many counts.
const LARGE_P2_COUNTS: i64 = 256;
/// No limit at all.
const WITHOUT_LIMIT: u8 = 0xFF;

/// The five bytes for a set of times; each is rounded to the nearest count that the byte can tell.
pub fn encode_timing(timing: &Timing, coding: &TimingCoding) -> [u8; 5] {
    let count = |span: Span, one: Span, most: i64| ((span.0 + one.0 / 2) / one.0.max(1)).clamp(0, most) as u8;
    let p2_counts = (timing.p2_max.0 + coding.p2_max.0 / 2) / coding.p2_max.0.max(1);
    let p2_max = if p2_counts <= 0xF0 {
        p2_counts.clamp(1, 0xF0) as u8
    } else {
        0xF0 | ((p2_counts + LARGE_P2_COUNTS / 2) / LARGE_P2_COUNTS).clamp(1, 0xE) as u8
    };
    [
        count(timing.p2_min, coding.short, 0xFF),
        p2_max,
        count(timing.p3_min, coding.short, 0xFF),
        count(timing.p3_max, coding.p3_max, 0xFE),
        count(timing.p4_min, coding.short, 0xFF),
    ]
}

/// A set of times from its five bytes; P1max, which is not among them, stays as in `base`.
pub fn decode_timing(bytes: [u8; 5], coding: &TimingCoding, base: &Timing) -> Timing {
    let [p2_min, p2_max, p3_min, p3_max, p4_min] = bytes;
    let large = |byte: u8| coding.p2_max * (i64::from(byte & 0x0F) * LARGE_P2_COUNTS);
    Timing {
        p1_max: base.p1_max,
        p2_min: coding.short * i64::from(p2_min),
        p2_max: match p2_max {
            WITHOUT_LIMIT => Span::MAX,
            0xF1..=0xFE => large(p2_max),
            byte => coding.p2_max * i64::from(byte),
        },
        p3_min: coding.short * i64::from(p3_min),
        p3_max: if p3_max == WITHOUT_LIMIT { Span::MAX } else { coding.p3_max * i64::from(p3_max) },
        p4_min: coding.short * i64::from(p4_min),
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    proptest! {
        #[test]
        fn bytes_survive_decoding_and_encoding(bytes in any::<[u8; 5]>()) {
            let timing = decode_timing(bytes, &TimingCoding::STANDARD, &Timing::DEFAULT);
            // FF (no limit) and the unused 00 and F0-nibble forms of P2max are not written by us.
            prop_assume!(bytes[1] != 0 && bytes[1] != 0xFF && bytes[3] != 0xFF);
            prop_assert_eq!(encode_timing(&timing, &TimingCoding::STANDARD), bytes);
        }
    }
}
