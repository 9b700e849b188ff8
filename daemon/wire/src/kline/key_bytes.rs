//! What a controller says of itself in its two key bytes (ISO 14230-2, 5.2.4.1, from memory).
//!
//! Key byte 1 carries bits AL0, AL1, HB0, HB1, TP0, TP1, then 1, then odd parity; key byte 2 is 8F. AL0: the
//! length may stand in the format byte. AL1: it may stand in a byte of its own. HB0: a header without
//! addresses is understood. HB1: a header with addresses is. TP1 TP0: 10 normal timing, 01 extended.

use crate::frame::HeaderForm;

/// Why two bytes are not key bytes of ISO 14230.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
pub enum KeyBytesError {
    /// The second byte is not 8F.
    #[error("key byte 2 is {0:02X}, not 8F: this controller does not speak ISO 14230")]
    NotIso14230(u8),
    /// The parity of the first byte is even.
    #[error("key byte 1 is {0:02X}, whose parity is wrong")]
    Parity(u8),
    /// The bits allow no header or no length that is understood here.
    #[error("key byte 1 is {0:02X}, which allows no header form")]
    NoForm(u8),
}

/// The key bytes, understood.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub struct KeyBytes {
    /// The length may stand in the format byte (AL0).
    pub length_in_format: bool,
    /// The length may stand in a byte of its own (AL1).
    pub length_byte: bool,
    /// A header without addresses is understood (HB0).
    pub bare_header: bool,
    /// A header with addresses is understood (HB1).
    pub addressed_header: bool,
    /// Extended timing is used rather than normal.
    pub extended_timing: bool,
    /// As they came.
    pub bytes: [u8; 2],
}

impl KeyBytes {
    /// Understands two bytes.
    pub fn new(bytes: [u8; 2]) -> Result<Self, KeyBytesError> {
        let [first, second] = bytes;
        if second != 0x8F {
            return Err(KeyBytesError::NotIso14230(second));
        }
        if first.count_ones() % 2 == 0 {
            return Err(KeyBytesError::Parity(first));
        }
        let bit = |n: u8| first >> n & 1 == 1;
        let key = Self {
            length_in_format: bit(0),
            length_byte: bit(1),
            bare_header: bit(2),
            addressed_header: bit(3),
            extended_timing: bit(4) && !bit(5),
            bytes,
        };
        let length = key.length_in_format || key.length_byte;
        let header = key.bare_header || key.addressed_header;
        // 00 in all four says nothing of header and length: "see the manufacturer" (keyword 2000). The
        // addressed form that start-communication itself uses is then the only one known to work.
        if !length && !header {
            return Ok(Self { length_in_format: true, addressed_header: true, ..key });
        }
        if length && header { Ok(key) } else { Err(KeyBytesError::NoForm(first)) }
    }

    /// The keyword in its decimal form: seven bits of each byte.
    pub fn keyword(&self) -> u16 {
        u16::from(self.bytes[1] & 0x7F) << 7 | u16::from(self.bytes[0] & 0x7F)
    }

    /// The form to speak in for so much data: addresses where allowed, because a bare header says nothing of
    /// who answers; the length in the format byte where it fits and is allowed, because it is shorter.
    pub fn form_for(&self, data: usize) -> HeaderForm {
        let short = self.length_in_format && data <= crate::frame::LONGEST_SHORT_DATA;
        let length_byte = !short && self.length_byte;
        if self.addressed_header {
            HeaderForm::Addressed { length_byte }
        } else {
            HeaderForm::Bare { length_byte }
        }
    }
}

impl std::fmt::Display for KeyBytes {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        let timing = if self.extended_timing { "extended" } else { "normal" };
        write!(
            f,
            "key bytes {:02X} {:02X} (keyword {}), {timing} timing",
            self.bytes[0],
            self.bytes[1],
            self.keyword()
        )
    }
}
