//! Bit times in whole nanoseconds, and the rates a divider can reach.

use crate::BAUD_RANGE;

/// The moment `bits` bit times after `start`, rounded to the nearest nanosecond. Counting from the start of
/// the character keeps ten bits exactly as long as a character, whatever the rate.
pub(crate) fn bits_after(start: i64, bits: u32, baud: u32) -> i64 {
    half_bits_after(start, bits * 2, baud)
}

/// The moment `halves` half bit times after `start`.
pub(crate) fn half_bits_after(start: i64, halves: u32, baud: u32) -> i64 {
    let baud = u64::from(baud);
    let span = (u64::from(halves) * 500_000_000 + baud / 2) / baud;
    start.saturating_add(i64::try_from(span).unwrap_or(i64::MAX))
}

/// The rate an adapter reaches when asked for `baud`: its clock divided by the nearest whole number.
pub(crate) fn achieved(baud: u32, clock: Option<u32>) -> u32 {
    let wanted = baud.clamp(BAUD_RANGE.0, BAUD_RANGE.1);
    let Some(clock) = clock.filter(|clock| *clock > 0) else { return wanted };
    let divisor = (clock.saturating_add(wanted / 2) / wanted).max(1);
    (clock.saturating_add(divisor / 2) / divisor).max(1)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// ISO 14230-4: 10400 bit/s. Ten bits are 10/10400 s (arithmetic).
    #[test]
    fn a_character_at_10400_takes_961_538_ns() {
        assert_eq!(bits_after(0, 10, 10_400), 961_538);
        assert_eq!(bits_after(7, 10, 10_400), 961_545);
    }

    /// Nine low bits at 360 bit/s are 25 ms: the fast wake-up pulse of ISO 14230-2 sent as a character.
    #[test]
    fn nine_bits_at_360_take_25_ms() {
        assert_eq!(bits_after(0, 9, 360), 25_000_000);
    }

    #[test]
    fn a_divider_reaches_the_nearest_rate() {
        assert_eq!(achieved(10_400, Some(3_000_000)), 10_417);
        assert_eq!(achieved(10_400, None), 10_400);
        assert_eq!(achieved(5_000_000, Some(3_000_000)), 3_000_000);
    }
}
