//! The journal of a running session: append-only frames of our own.
//!
//! The file begins with a magic of four bytes, the version as two bytes (little endian) and the CRC-32 of
//! these six. Then follow frames:
//!
//! ```text
//! kind (1 byte) · length of the payload (varint) · payload · CRC-32 (4 bytes, little endian)
//! ```
//!
//! The CRC-32 (ISO/IEC 8802-3 polynomial from memory, reflected, as in Ethernet) covers the CRC of the frame before and
//! everything of its own frame, so that a frame cannot be lost, doubled or moved without notice. Varints are
//! little-endian groups of seven bits. The first frame is the head. Deltas of the sample frames run on from
//! frame to frame: the file is only ever read from its start to its first damaged frame.

use model::{ChannelId, Ending, EventEnvelope};

use crate::head::SessionHead;
use crate::row::Row;

mod codec;
mod frame;
mod reader;
mod varint;

pub(crate) use codec::Codec;
#[cfg(test)]
pub(crate) use codec::tests as sample_tests;
pub(crate) use frame::FrameWriter;
pub(crate) use reader::JournalReader;

const MAGIC: [u8; 4] = *b"HGJ\x1a";
const VERSION: u16 = 2;
const HEADER: usize = 10;

/// The longest payload. A length beyond it is damage, and no memory is asked for it.
pub(crate) const LONGEST_PAYLOAD: usize = 1 << 20;

const KIND_HEAD: u8 = 1;
const KIND_CHANNEL: u8 = 2;
const KIND_SAMPLES: u8 = 3;
const KIND_EVENT: u8 = 4;
const KIND_END: u8 = 5;

/// One thing read from a journal.
#[derive(Debug, Clone, PartialEq)]
pub(crate) enum Frame {
    /// What the session says of itself.
    Head(Box<SessionHead>),
    /// A channel that the head does not name; it gets the next number.
    Channel(ChannelId),
    /// Readings and gaps in the order recorded.
    Samples(Vec<Row>),
    /// An event, and its JSON as it was written.
    Event(Box<EventEnvelope>, String),
    /// The session was closed in order.
    End(Ending),
}

fn header() -> [u8; HEADER] {
    let mut bytes = [0; HEADER];
    bytes[..4].copy_from_slice(&MAGIC);
    bytes[4..6].copy_from_slice(&VERSION.to_le_bytes());
    let crc = crc32fast::hash(&bytes[..6]);
    bytes[6..].copy_from_slice(&crc.to_le_bytes());
    bytes
}

#[cfg(test)]
mod tests;
