//! When characters ended, as far as a serial port lets it be known.

use model::{Moment, Span};

/// Bits of a character on the line: a start bit, eight bits, a stop bit.
const BITS: i64 = 10;

/// Dates the characters of one port.
#[derive(Debug, Clone, Copy)]
pub(super) struct Dates {
    character: Span,
    last: Moment,
}

impl Dates {
    /// For characters at a rate in bits per second.
    pub(super) fn at(baud: u32) -> Self {
        let mut dates = Self { character: Span::ZERO, last: Moment::ZERO };
        dates.set_baud(baud);
        dates
    }

    /// The rate changes; what was dated before stays before.
    pub(super) fn set_baud(&mut self, baud: u32) {
        self.character = Span::from_nanos(BITS * 1_000_000_000 / i64::from(baud.max(1)));
    }

    /// Whatever is read from now on ended after this moment.
    pub(super) fn begin(&mut self, now: Moment) {
        self.last = self.last.max(now);
    }

    /// The ends of so many characters that were read together at a moment: the last one there, those before it one
    /// character's time apart, none before what was read earlier.
    pub(super) fn ends(&mut self, now: Moment, count: usize) -> impl Iterator<Item = Moment> {
        (0..count as i64).rev().map(move |after| {
            self.last = self.last.max(now - self.character * after);
            self.last
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn ends(dates: &mut Dates, now: i64, count: usize) -> Vec<i64> {
        dates.ends(Moment(now), count).map(|end| end.0).collect()
    }

    #[test]
    fn characters_are_a_characters_time_apart_and_never_before_those_read_earlier() {
        // Ten bits at 12 500 Bd last 800 µs, at 10 400 Bd 961.538 µs.
        let mut dates = Dates::at(12_500);
        assert_eq!(ends(&mut dates, 5_000_000, 3), [3_400_000, 4_200_000, 5_000_000]);
        assert_eq!(ends(&mut dates, 6_000_000, 3), [5_000_000, 5_200_000, 6_000_000]);
        assert_eq!(ends(&mut dates, 6_000_000, 1), [6_000_000]);
        dates.set_baud(10_400);
        assert_eq!(ends(&mut dates, 9_000_000, 2), [8_038_462, 9_000_000]);
        assert!(ends(&mut dates, 9_000_000, 0).is_empty());
        dates.begin(Moment(9_500_000));
        assert_eq!(ends(&mut dates, 9_600_000, 2), [9_500_000, 9_600_000]);
    }
}
