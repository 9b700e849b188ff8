//! The timing of ISO 14230-2 and its encoding by accessTimingParameters.

/// One millisecond, in nanoseconds.
pub(crate) const MS: i64 = 1_000_000;

/// Shortest and longest low time of the wake-up pulse (TiniL, ISO 14230-2; EU 2016/799, Annex IC, App. 8
/// Table 3).
pub(crate) const WAKE_LOW: (i64, i64) = (24 * MS, 26 * MS);
/// Shortest and longest time from the pulse's falling edge to the first byte of StartCommunication (TWuP,
/// same table).
pub(crate) const WAKE_WHOLE: (i64, i64) = (49 * MS, 51 * MS);
/// Idle time before the first wake-up after power comes on (Tidle, same appendix, CPR_017).
pub(crate) const POWER_ON_IDLE: i64 = 300 * MS;
/// Longest gap between two bytes of the tester: a longer one ends the message (P4max, same appendix,
/// Table 4).
pub(crate) const P4_MAX: i64 = 20 * MS;
/// How much a gap may fall short before the controller minds: two ends never agree on a bit time exactly.
pub(crate) const TOLERANCE: i64 = 50_000;

/// The changeable times, in nanoseconds.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct Timing {
    /// Shortest time from a request's end to its answer.
    pub(crate) p2_min: i64,
    /// Longest time from a request's end to its answer.
    pub(crate) p2_max: i64,
    /// Shortest time from an answer's end to the next request.
    pub(crate) p3_min: i64,
    /// Longest time from an answer's end to the next request: after it communication has ended.
    pub(crate) p3_max: i64,
    /// Shortest gap between two bytes of the tester.
    pub(crate) p4_min: i64,
}

/// Resolutions, in nanoseconds, of P2min, P2max (lower range), P3min, P3max and P4min: ISO 14230-2:1999 5.3,
/// from memory.
const HALF_MS: i64 = MS / 2;
const P2_MAX_UNIT: i64 = 25 * MS;
const P3_MAX_UNIT: i64 = 250 * MS;

impl Timing {
    /// The normal set (P3 and P4: EU 2016/799, Annex IC, App. 8 Table 4; P2: ISO 14230-2:1999, from memory).
    pub(crate) const NORMAL: Self =
        Self { p2_min: 25 * MS, p2_max: 50 * MS, p3_min: 55 * MS, p3_max: 5_000 * MS, p4_min: 5 * MS };
    /// The extended set (EU 2016/799, Annex IC, App. 7, 2.2.4).
    pub(crate) const EXTENDED: Self =
        Self { p2_min: 20 * MS, p2_max: 1_000 * MS, p3_min: 10 * MS, p3_max: 5_000 * MS, p4_min: 5 * MS };
    /// The limits of this controller: what may be set lies between these and the longest communication
    /// time-out. It never agrees to forget a control later than after 5 s.
    pub(crate) const LIMITS: Self =
        Self { p2_min: 0, p2_max: 25 * MS, p3_min: HALF_MS, p3_max: 5_000 * MS, p4_min: 0 };

    /// As encoded: P2min, P2max, P3min, P3max, P4min.
    pub(crate) fn encode(&self) -> [u8; 5] {
        let units = |time: i64, unit: i64| u8::try_from(time / unit).unwrap_or(u8::MAX);
        [
            units(self.p2_min, HALF_MS),
            encode_p2_max(self.p2_max),
            units(self.p3_min, HALF_MS),
            units(self.p3_max, P3_MAX_UNIT),
            units(self.p4_min, HALF_MS),
        ]
    }

    /// What the bytes ask for; `None` where they ask for endless times or for none at all.
    pub(crate) fn decode(bytes: [u8; 5]) -> Option<Self> {
        let [p2_min, p2_max, p3_min, p3_max, p4_min] = bytes;
        let p3_max = (1..0xFF).contains(&p3_max).then_some(i64::from(p3_max) * P3_MAX_UNIT)?;
        Some(Self {
            p2_min: i64::from(p2_min) * HALF_MS,
            p2_max: decode_p2_max(p2_max)?,
            p3_min: i64::from(p3_min) * HALF_MS,
            p3_max,
            p4_min: i64::from(p4_min) * HALF_MS,
        })
    }

    /// Whether this controller agrees: inside its limits, each minimum below its maximum, and P3min above
    /// P4min (ISO 14230-2:1999, rules beside the table).
    pub(crate) fn is_acceptable(&self) -> bool {
        let limits = Self::LIMITS;
        self.p2_min >= limits.p2_min
            && self.p2_max >= limits.p2_max
            && self.p2_min < self.p2_max
            && self.p3_min >= limits.p3_min
            && self.p3_min < self.p3_max
            && self.p3_max <= limits.p3_max
            && self.p2_max < self.p3_max
            && self.p4_min >= limits.p4_min
            && self.p4_min < P4_MAX
            && self.p3_min > self.p4_min
    }
}

/// 01..F0: 25 ms each; F1..FE: the low digit counts 256 times 25 ms.
fn decode_p2_max(byte: u8) -> Option<i64> {
    match byte {
        0x00 | 0xFF => None,
        0x01..=0xF0 => Some(i64::from(byte) * P2_MAX_UNIT),
        0xF1..=0xFE => Some(i64::from(byte & 0x0F) * 256 * P2_MAX_UNIT),
    }
}

fn encode_p2_max(time: i64) -> u8 {
    let units = time / P2_MAX_UNIT;
    match u8::try_from(units) {
        Ok(fine) if fine <= 0xF0 => fine,
        _ => u8::try_from(units / 256).map_or(0xFE, |coarse| 0xF0 | coarse.clamp(1, 0x0E)),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::controller::published;

    /// ISO 14230-2:1999 5.3, from memory: the examples of the table are the normal set.
    #[test]
    fn the_published_examples_encode_the_normal_set() {
        let rows = published::rows(published::ACCESS_TIMING);
        let bytes: Vec<u8> = rows.iter().map(|row| published::bytes(&row["example_hex"])[0]).collect();
        assert_eq!(Timing::NORMAL.encode().to_vec(), bytes);
        assert_eq!(Timing::decode([0x32, 0x02, 0x6E, 0x14, 0x0A]), Some(Timing::NORMAL));
        let normal = Timing::NORMAL;
        let times = [normal.p2_min, normal.p2_max, normal.p3_min, normal.p3_max, normal.p4_min];
        for (time, row) in times.into_iter().zip(rows) {
            let example: f64 = row["example_ms"].parse().expect("a number");
            assert_eq!(time as f64 / MS as f64, example, "{row:?}");
        }
    }

    /// ISO 14230-2:1999 5.3, from memory: 6400 to 89600 ms by the low digit.
    #[test]
    fn long_answer_times_use_the_coarse_range() {
        assert_eq!(decode_p2_max(0xF0), Some(6_000 * MS));
        assert_eq!(decode_p2_max(0xF1), Some(6_400 * MS));
        assert_eq!(decode_p2_max(0xFE), Some(89_600 * MS));
        assert_eq!(decode_p2_max(0xFF), None);
        for byte in 1..0xFF {
            assert_eq!(encode_p2_max(decode_p2_max(byte).expect("finite")), byte);
        }
    }

    /// EU 2016/799, Annex IC, App. 8 Tables 3 and 4 (READ).
    #[test]
    fn the_constants_are_the_published_ones() {
        let rows = published::rows(published::LINE_TIMING);
        let ms = |id: &str| {
            let row = rows.iter().find(|row| row["id"] == id).unwrap_or_else(|| panic!("no row {id}"));
            let number = |text: &str| text.parse::<i64>().unwrap_or(0) * MS;
            (number(&row["min"]), number(&row["max"]))
        };
        assert_eq!(ms("TiniL"), WAKE_LOW);
        assert_eq!(ms("TWuP"), WAKE_WHOLE);
        assert_eq!(ms("Tidle first transmission after power on").0, POWER_ON_IDLE);
        assert_eq!(ms("P4 inter-byte tester"), (Timing::NORMAL.p4_min, P4_MAX));
        assert_eq!(ms("P3 response to next request"), (Timing::NORMAL.p3_min, Timing::NORMAL.p3_max));
        assert_eq!(ms("P2 default"), (Timing::NORMAL.p2_min, Timing::NORMAL.p2_max));
        assert_eq!(ms("P2 extended"), (Timing::EXTENDED.p2_min, Timing::EXTENDED.p2_max));
        assert_eq!(ms("P3 extended"), (Timing::EXTENDED.p3_min, Timing::EXTENDED.p3_max));
    }

    #[test]
    fn unacceptable_timing_is_known() {
        assert!(Timing::NORMAL.is_acceptable() && Timing::EXTENDED.is_acceptable());
        let fastest = Timing { p3_max: 5_000 * MS, ..Timing::LIMITS };
        assert!(fastest.is_acceptable());
        assert!(!Timing { p4_min: 10 * MS, p3_min: 10 * MS, ..Timing::NORMAL }.is_acceptable());
        assert!(!Timing { p3_max: 5_250 * MS, ..Timing::NORMAL }.is_acceptable());
        assert!(!Timing { p2_min: 50 * MS, ..Timing::NORMAL }.is_acceptable());
    }
}
