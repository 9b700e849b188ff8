//! Characters into messages, by length and by the gaps between characters.

use line::Arrival;

use super::frame::{LONGEST, Length, length};

/// A message as it was heard, whole by its own length.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct Heard {
    /// Start of its first byte.
    pub(crate) start: i64,
    /// End of its last byte.
    pub(crate) end: i64,
    /// The smallest gap between two of its bytes.
    pub(crate) gap: i64,
    /// One of its bytes had a framing error.
    pub(crate) spoiled: bool,
}

/// What one more character led to.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Step {
    /// Nothing yet.
    More,
    /// A message stopped in its middle; this character begins another.
    Unfinished,
    /// The bytes cannot become a message; what follows is skipped until the line has paused.
    Senseless,
    /// A message is whole: see [`Assembler::bytes`].
    Whole(Heard),
}

#[derive(Debug)]
pub(crate) struct Assembler {
    buffer: [u8; LONGEST],
    count: usize,
    heard: Heard,
    skipping: bool,
}

impl Assembler {
    pub(crate) fn new() -> Self {
        Self { buffer: [0; LONGEST], count: 0, heard: NOTHING, skipping: false }
    }

    /// The bytes of the message that became whole last.
    pub(crate) fn bytes(&self) -> &[u8] {
        &self.buffer[..self.count]
    }

    /// The start of a message under way and the end of its last byte.
    pub(crate) fn under_way(&self) -> Option<(i64, i64)> {
        (self.heard != NOTHING && !self.skipping).then_some((self.heard.start, self.heard.end))
    }

    pub(crate) fn forget(&mut self) {
        self.heard = NOTHING;
        self.skipping = false;
    }

    /// Takes one character. A pause longer than `pause` ends whatever was under way.
    pub(crate) fn push(&mut self, arrival: Arrival, pause: i64) -> Step {
        let gap = arrival.start.saturating_sub(self.heard.end);
        let paused = self.heard != NOTHING && gap > pause;
        let unfinished = paused && !self.skipping;
        if paused {
            self.forget();
        }
        if self.skipping {
            self.heard.end = arrival.end;
            return Step::More;
        }
        if self.heard == NOTHING {
            if arrival.framing_error {
                // A break, or a character hit by one, begins nothing.
                return if unfinished { Step::Unfinished } else { Step::More };
            }
            self.count = 0;
            self.heard = Heard { start: arrival.start, end: arrival.end, gap: i64::MAX, spoiled: false };
        } else {
            self.heard.gap = self.heard.gap.min(gap);
            self.heard.end = arrival.end;
            self.heard.spoiled |= arrival.framing_error;
        }
        self.buffer[self.count] = arrival.byte;
        self.count += 1;
        match length(&self.buffer[..self.count]) {
            Length::Never(_) => {
                self.skipping = true;
                Step::Senseless
            }
            Length::Total(total) if total == self.count => {
                let heard = self.heard;
                self.heard = NOTHING;
                Step::Whole(heard)
            }
            _ if unfinished => Step::Unfinished,
            _ => Step::More,
        }
    }
}

/// No message under way.
const NOTHING: Heard = Heard { start: i64::MIN, end: i64::MIN, gap: 0, spoiled: false };

#[cfg(test)]
mod tests {
    use super::*;

    const MS: i64 = 1_000_000;

    fn at(byte: u8, start: i64) -> Arrival {
        Arrival { byte, start, end: start + MS, framing_error: false }
    }

    #[test]
    fn a_message_is_whole_by_its_length() {
        let mut assembler = Assembler::new();
        let mut last = Step::More;
        for (k, byte) in [0x02, 0x21, 0xA1, 0xC4].into_iter().enumerate() {
            assert_eq!(last, Step::More);
            last = assembler.push(at(byte, k as i64 * 6 * MS), 20 * MS);
        }
        assert_eq!(last, Step::Whole(Heard { start: 0, end: 19 * MS, gap: 5 * MS, spoiled: false }));
        assert_eq!(assembler.bytes(), [0x02, 0x21, 0xA1, 0xC4]);
    }

    #[test]
    fn a_pause_begins_anew() {
        let mut assembler = Assembler::new();
        assert_eq!(assembler.push(at(0x02, 0), 20 * MS), Step::More);
        assert_eq!(assembler.push(at(0x01, 21 * MS + 1), 20 * MS), Step::Unfinished);
        assert_eq!(assembler.push(at(0x3E, 23 * MS), 20 * MS), Step::More);
        assert!(matches!(assembler.push(at(0x3F, 25 * MS), 20 * MS), Step::Whole(_)));
        assert_eq!(assembler.bytes(), [0x01, 0x3E, 0x3F]);
    }

    #[test]
    fn senseless_bytes_are_skipped_until_a_pause() {
        let mut assembler = Assembler::new();
        assert_eq!(assembler.push(at(0x68, 0), 20 * MS), Step::Senseless);
        assert_eq!(assembler.push(at(0x01, 2 * MS), 20 * MS), Step::More);
        assert_eq!(assembler.push(at(0x01, 30 * MS), 20 * MS), Step::More);
        assert_eq!(assembler.push(at(0x3E, 32 * MS), 20 * MS), Step::More);
        assert!(matches!(assembler.push(at(0x3F, 34 * MS), 20 * MS), Step::Whole(_)));
    }
}
