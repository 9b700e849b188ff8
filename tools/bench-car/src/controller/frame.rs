//! Messages of ISO 14230-2: format byte, optional addresses, optional length byte, data, checksum.

use thiserror::Error;

/// The longest message: four header bytes, 255 data bytes, checksum.
pub(crate) const LONGEST: usize = 4 + 255 + 1;
/// The longest data whose length fits into the format byte.
const LONGEST_IN_FORMAT: usize = 63;

/// How a message is addressed.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Addressing {
    /// Format byte 00..3F: no addresses.
    None,
    /// Format byte 80..BF.
    Physical { target: u8, source: u8 },
    /// Format byte C0..FF.
    Functional { target: u8, source: u8 },
}

/// A message taken apart.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct Frame<'a> {
    pub(crate) addressing: Addressing,
    /// The length stands in a byte of its own.
    pub(crate) extra_length: bool,
    pub(crate) data: &'a [u8],
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, Error)]
pub(crate) enum FrameError {
    #[error("format byte {0:02X} belongs to other header forms (ISO 9141-2, SAE J1850)")]
    Exception(u8),
    #[error("a message without data")]
    Empty,
    #[error("{seen} bytes where the header says {said}")]
    Length { said: usize, seen: usize },
    #[error("checksum {seen:02X} where the sum is {sum:02X}")]
    Checksum { sum: u8, seen: u8 },
}

/// What the bytes so far say about the whole.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Length {
    /// The header is not complete.
    Unknown,
    /// The whole message has this many bytes.
    Total(usize),
    /// This cannot become a message.
    Never(FrameError),
}

/// The sum of all bytes, modulo 256.
pub(crate) fn checksum(bytes: &[u8]) -> u8 {
    bytes.iter().fold(0, |sum, byte| sum.wrapping_add(*byte))
}

/// What the first bytes of a message say about its length.
pub(crate) fn length(bytes: &[u8]) -> Length {
    let Some(&format) = bytes.first() else { return Length::Unknown };
    let addresses = match format >> 6 {
        0b00 => 0,
        0b01 => return Length::Never(FrameError::Exception(format)),
        _ => 2,
    };
    match format & 0x3F {
        0 => match bytes.get(1 + addresses) {
            None => Length::Unknown,
            Some(0) => Length::Never(FrameError::Empty),
            Some(&extra) => Length::Total(2 + addresses + usize::from(extra) + 1),
        },
        short => Length::Total(1 + addresses + usize::from(short) + 1),
    }
}

/// Takes a whole message apart.
pub(crate) fn decode(bytes: &[u8]) -> Result<Frame<'_>, FrameError> {
    let said = match length(bytes) {
        Length::Total(total) => total,
        Length::Unknown => return Err(FrameError::Length { said: bytes.len() + 1, seen: bytes.len() }),
        Length::Never(error) => return Err(error),
    };
    if bytes.len() != said {
        return Err(FrameError::Length { said, seen: bytes.len() });
    }
    let (body, seen) = (&bytes[..said - 1], bytes[said - 1]);
    let sum = checksum(body);
    if sum != seen {
        return Err(FrameError::Checksum { sum, seen });
    }
    let format = body[0];
    let extra_length = format & 0x3F == 0;
    let (addressing, addresses) = match format >> 6 {
        0b00 => (Addressing::None, 0),
        0b10 => (Addressing::Physical { target: body[1], source: body[2] }, 2),
        _ => (Addressing::Functional { target: body[1], source: body[2] }, 2),
    };
    let header = 1 + addresses + usize::from(extra_length);
    Ok(Frame { addressing, extra_length, data: &body[header..] })
}

/// Puts a message of 1 to 255 data bytes together; longer data are cut. The length goes into a byte of its
/// own when asked or when it does not fit into the format byte.
pub(crate) fn encode(frame: &Frame<'_>, into: &mut Vec<u8>) {
    let data = &frame.data[..frame.data.len().min(255)];
    let extra_length = frame.extra_length || data.len() > LONGEST_IN_FORMAT;
    let length = data.len() as u8;
    let in_format = if extra_length { 0 } else { length };
    into.clear();
    match frame.addressing {
        Addressing::None => into.push(in_format),
        Addressing::Physical { target, source } => into.extend([0x80 | in_format, target, source]),
        Addressing::Functional { target, source } => into.extend([0xC0 | in_format, target, source]),
    }
    if extra_length {
        into.push(length);
    }
    into.extend_from_slice(data);
    into.push(checksum(into));
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;
    use crate::controller::published;

    /// Messages printed with their checksums in EU 2016/799, Annex IC, Appendices 7 and 8 (READ), with some
    /// of ISO 14230-2 and -4 from memory: see the file's own columns.
    #[test]
    fn published_messages_survive_this_codec_to_the_byte() {
        let mut tried = 0;
        for row in published::rows(published::MESSAGES) {
            let bytes = published::bytes(&row["bytes_hex"]);
            if bytes[0] >> 6 == 0b01 {
                assert!(matches!(decode(&bytes), Err(FrameError::Exception(_))), "{row:?}");
                continue;
            }
            let frame = decode(&bytes).unwrap_or_else(|error| panic!("{error}: {row:?}"));
            let mut again = Vec::new();
            encode(&frame, &mut again);
            assert_eq!(again, bytes, "{row:?}");
            tried += 1;
        }
        assert!(tried >= 35, "{tried}");
    }

    /// EU 2016/799, Annex IC, App. 8 Tables 33 and 36 (READ), taken apart.
    #[test]
    fn an_io_control_message_taken_apart() {
        let bytes = [0x80, 0xEE, 0xF1, 0x05, 0x2F, 0xF9, 0x60, 0x03, 0x01, 0xF0];
        let frame = decode(&bytes).expect("published message");
        assert_eq!(frame.addressing, Addressing::Physical { target: 0xEE, source: 0xF1 });
        assert!(frame.extra_length);
        assert_eq!(frame.data, [0x2F, 0xF9, 0x60, 0x03, 0x01]);
    }

    #[test]
    fn long_data_take_a_length_byte() {
        for (count, header) in [(63, 3), (64, 4), (255, 4)] {
            let data = vec![7; count];
            let addressing = Addressing::Physical { target: 1, source: 2 };
            let mut bytes = Vec::new();
            encode(&Frame { addressing, extra_length: false, data: &data }, &mut bytes);
            assert_eq!(bytes.len(), header + count + 1);
            assert_eq!(decode(&bytes).expect("own message").data, data);
        }
    }

    proptest! {
        #[test]
        fn any_bytes_decode_or_say_why(bytes in prop::collection::vec(any::<u8>(), 0..300)) {
            if let Ok(frame) = decode(&bytes) {
                let mut again = Vec::new();
                encode(&frame, &mut again);
                prop_assert_eq!(again, bytes);
            }
        }

        #[test]
        fn a_single_wrong_byte_is_noticed(
            data in prop::collection::vec(any::<u8>(), 1..80), at in any::<prop::sample::Index>(), flip in 1..=255u8
        ) {
            let addressing = Addressing::Physical { target: 0x2A, source: 0xF1 };
            let mut bytes = Vec::new();
            encode(&Frame { addressing, extra_length: false, data: &data }, &mut bytes);
            let at = at.index(bytes.len());
            bytes[at] ^= flip;
            prop_assert!(decode(&bytes).is_err());
        }
    }
}
