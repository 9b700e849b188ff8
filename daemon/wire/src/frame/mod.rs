//! Messages of ISO 14230-2: header, data, checksum (clause 4).

mod assemble;
mod header;

pub use assemble::{Assembler, Step};
pub use header::{Addressing, Header, HeaderForm, LONGEST_DATA, LONGEST_SHORT_DATA};

/// Why bytes are not a message, or a message cannot be written.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
pub enum FrameError {
    /// The checksum is not the sum of the other bytes.
    #[error("checksum {got:02X}, expected {expected:02X}")]
    Checksum {
        /// As it came.
        got: u8,
        /// As it should be.
        expected: u8,
    },
    /// The format byte belongs to no form that is understood here.
    #[error("format byte {0:02X} is not one of ISO 14230-2")]
    Format(u8),
    /// A message without data.
    #[error("a message needs at least one byte of data")]
    Empty,
    /// More data than the header form can tell.
    #[error("{length} bytes of data do not fit this header form, which tells at most {most}")]
    TooLong {
        /// How many were given.
        length: usize,
        /// How many fit.
        most: usize,
    },
}

/// The checksum: the sum of all bytes before it, modulo 256 (ISO 14230-2, 4.4, from memory).
pub fn checksum(bytes: &[u8]) -> u8 {
    bytes.iter().fold(0, |sum: u8, byte| sum.wrapping_add(*byte))
}

/// A message.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Message {
    /// Who speaks to whom, and in which form.
    pub header: Header,
    /// The data: service id and what follows it.
    pub data: Vec<u8>,
}

impl Message {
    /// The message as bytes, checksum included.
    pub fn encode(&self) -> Result<Vec<u8>, FrameError> {
        let mut bytes = self.header.encode(self.data.len())?;
        bytes.extend_from_slice(&self.data);
        bytes.push(checksum(&bytes));
        Ok(bytes)
    }

    /// Reads one whole message.
    pub fn decode(bytes: &[u8]) -> Result<Option<Self>, FrameError> {
        let mut assembler = Assembler::new();
        for (i, byte) in bytes.iter().enumerate() {
            match assembler.push(*byte) {
                Step::More => {}
                Step::Message(message) => return Ok((i + 1 == bytes.len()).then_some(message)),
                Step::Broken(error) => return Err(error),
            }
        }
        Ok(None)
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    fn header() -> impl Strategy<Value = Header> {
        (any::<bool>(), any::<bool>(), any::<u8>(), any::<u8>(), 0..3_u8).prop_map(
            |(functional, length_byte, target, source, form)| {
                let addressing = if functional { Addressing::Functional } else { Addressing::Physical };
                match form {
                    0 => Header { form: HeaderForm::Bare { length_byte }, addressing, target: 0, source: 0 },
                    _ => Header { form: HeaderForm::Addressed { length_byte }, addressing, target, source },
                }
            },
        )
    }

    proptest! {
        #[test]
        fn what_is_written_is_read_back(header in header(), data in prop::collection::vec(any::<u8>(), 1..=255)) {
            let mut header = header;
            if matches!(header.form, HeaderForm::Bare { .. }) {
                header.addressing = Addressing::Physical;
            }
            let message = Message { header, data };
            match message.encode() {
                Ok(bytes) => prop_assert_eq!(Message::decode(&bytes).unwrap(), Some(message)),
                Err(error) => {
                    let too_long = matches!(error, FrameError::TooLong { .. });
                    prop_assert!(too_long && message.data.len() > LONGEST_SHORT_DATA);
                }
            }
        }

        #[test]
        fn any_bytes_are_read_without_panic(bytes in prop::collection::vec(any::<u8>(), 0..600)) {
            let mut assembler = Assembler::new();
            for byte in bytes {
                if let Step::Message(message) = assembler.push(byte) {
                    prop_assert!(!message.data.is_empty());
                }
            }
        }

        #[test]
        fn one_flipped_bit_is_never_taken_for_the_message(
            data in prop::collection::vec(any::<u8>(), 1..60), bit in 0..8_u32, at in any::<prop::sample::Index>()
        ) {
            let header = Header::addressed(Addressing::Physical, 0x2A, 0xF1);
            let message = Message { header, data };
            let mut bytes = message.encode().unwrap();
            let i = at.index(bytes.len());
            bytes[i] ^= 1 << bit;
            prop_assert!(!matches!(Message::decode(&bytes), Ok(Some(read)) if read == message));
            // A flip in the data is always seen; one in the length makes the message end elsewhere.
            if (3..bytes.len()).contains(&i) {
                let seen = matches!(Message::decode(&bytes), Err(FrameError::Checksum { .. }));
                prop_assert!(seen);
            }
        }
    }
}
