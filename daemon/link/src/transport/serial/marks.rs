//! Marks that the system puts among the characters of a port that is told to mark errors (`PARMRK`; GNU C library's
//! manual, "Input Modes"): `\377 \0 X` is a character X with an error, here of framing, `\377 \0 \0` a break, and
//! `\377 \377` the character `\377` itself.

/// The character that begins a mark.
const MARK: u8 = 0o377;

/// A character as it came on the line.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Character {
    pub(super) byte: u8,
    /// Its stop bit was missing: an error of framing or a break.
    pub(super) broken: bool,
}

/// How much of a mark has come.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub(super) enum Marks {
    #[default]
    None,
    Begun,
    Error,
}

impl Marks {
    /// Takes what was read; a mark may be cut in two by the end of a reading.
    #[cfg(unix)]
    pub(super) fn decode(&mut self, read: &[u8], into: &mut Vec<Character>) {
        for byte in read.iter().copied() {
            let mut give = |byte, broken| into.push(Character { byte, broken });
            *self = match (*self, byte) {
                (Self::None, MARK) => Self::Begun,
                (Self::Begun, 0) => Self::Error,
                (Self::Error, _) => {
                    give(byte, true);
                    Self::None
                }
                (Self::Begun, MARK) | (Self::None, _) => {
                    give(byte, false);
                    Self::None
                }
                // No mark at all: somebody has taken the marking away.
                (Self::Begun, _) => {
                    give(MARK, false);
                    give(byte, false);
                    Self::None
                }
            };
        }
    }

    /// Takes what was read, from a system that marks nothing.
    #[cfg(not(unix))]
    pub(super) fn decode(&mut self, read: &[u8], into: &mut Vec<Character>) {
        into.extend(read.iter().map(|byte| Character { byte: *byte, broken: false }));
    }
}

#[cfg(test)]
#[cfg(unix)]
mod tests {
    use super::*;

    fn decode(readings: &[&[u8]]) -> Vec<(u8, bool)> {
        let mut marks = Marks::default();
        let mut decoded = Vec::new();
        readings.iter().for_each(|reading| marks.decode(reading, &mut decoded));
        decoded.iter().map(|one| (one.byte, one.broken)).collect()
    }

    #[test]
    fn marks_read_as_the_manual_defines_them() {
        // GNU C library's manual, "Input Modes"; the sequence of the break from memory.
        assert_eq!(decode(&[b"\x81\xff\x00\x55\x12"]), [(0x81, false), (0x55, true), (0x12, false)]);
        assert_eq!(decode(&[b"\xff\x00\x00\x33"]), [(0, true), (0x33, false)]);
        assert_eq!(decode(&[b"\xff\xff\x00\xff\xff"]), [(0xff, false), (0, false), (0xff, false)]);
    }

    #[test]
    fn a_mark_may_be_cut_anywhere() {
        let whole: &[u8] = b"\x01\xff\x00\x02\xff\xff\xff\x00\x00\x00\xff\xff";
        for cut in 0..=whole.len() {
            assert_eq!(decode(&[&whole[..cut], &whole[cut..]]), decode(&[whole]), "cut at {cut}");
        }
        let bytes: Vec<&[u8]> = whole.chunks(1).collect();
        assert_eq!(decode(&bytes), decode(&[whole]));
    }
}
