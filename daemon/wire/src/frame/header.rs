//! The header of a message: format byte, addresses, length (ISO 14230-2, 4.1).
//!
//! Bits 7 and 6 of the format byte tell the address mode (00 none, 10 physical, 11 functional; 01 is kept
//! for the emissions format of ISO 9141-2); bits 5 to 0 tell the length, or 0 when a length byte follows.

use super::FrameError;

/// The most data that a format byte can tell.
pub const LONGEST_SHORT_DATA: usize = 63;
/// The most data that a length byte can tell.
pub const LONGEST_DATA: usize = 255;

/// Whether a target address means one controller or a function.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Addressing {
    /// One controller.
    Physical,
    /// Every controller with that function.
    Functional,
}

/// The form of a header.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum HeaderForm {
    /// Format byte only, without addresses.
    Bare {
        /// Whether the length stands in a byte of its own.
        length_byte: bool,
    },
    /// Format byte, target and source address.
    Addressed {
        /// Whether the length stands in a byte of its own.
        length_byte: bool,
    },
}

/// Who speaks to whom, and in which form.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Header {
    /// The form.
    pub form: HeaderForm,
    /// How `target` is meant.
    pub addressing: Addressing,
    /// Receiver; 0 in a bare header.
    pub target: u8,
    /// Sender; 0 in a bare header.
    pub source: u8,
}

impl Header {
    /// A header with addresses and the length in its format byte.
    pub fn addressed(addressing: Addressing, target: u8, source: u8) -> Self {
        Self { form: HeaderForm::Addressed { length_byte: false }, addressing, target, source }
    }

    /// The header as bytes for so much data.
    pub fn encode(&self, length: usize) -> Result<Vec<u8>, FrameError> {
        if length == 0 {
            return Err(FrameError::Empty);
        }
        let (addressed, length_byte) = match self.form {
            HeaderForm::Bare { length_byte } => (false, length_byte),
            HeaderForm::Addressed { length_byte } => (true, length_byte),
        };
        let most = if length_byte { LONGEST_DATA } else { LONGEST_SHORT_DATA };
        if length > most {
            return Err(FrameError::TooLong { length, most });
        }
        let mode = match (addressed, self.addressing) {
            (false, _) => 0x00,
            (true, Addressing::Physical) => 0x80,
            (true, Addressing::Functional) => 0xC0,
        };
        let length = length as u8;
        let mut bytes = Vec::with_capacity(length as usize + 5);
        bytes.push(if length_byte { mode } else { mode | length });
        if addressed {
            bytes.extend([self.target, self.source]);
        }
        if length_byte {
            bytes.push(length);
        }
        Ok(bytes)
    }
}
