//! The journal of a running session: append-only frames of our own. This page is enough to write a reader from.
//!
//! All whole numbers of a fixed length are little endian. A *varint* is an unsigned number of at most 64 bits in groups of
//! seven bits, lowest first, the top bit of a byte saying that another follows. A *signed varint* is the varint of
//! `(n << 1) ^ (n >> 63)`. Differences wrap at 64 bits. CRC-32 is that of ISO/IEC 8802-3 (from memory), reflected, as
//! in Ethernet.
//!
//! # The file
//!
//! Ten bytes: `48 47 4A 1A`, the version (2 bytes), the CRC-32 of these six (4 bytes). Then frames, one after the other.
//!
//! # A frame
//!
//! | bytes | what |
//! | --- | --- |
//! | 2 | the mark `C9 5A` |
//! | 1 | kind: 1 head, 2 rows, 3 exchanges, 4 event, 5 end |
//! | 3 | length of the payload, at most 1 MiB; of rows and exchanges at most 128 KiB |
//! | 4 | sequence number: 0 for the first frame of the file, one more for each that follows |
//! | 2 | the lower half of the CRC-32 of the ten bytes before |
//! | … | payload |
//! | 4 | the CRC-32 of everything of the frame before it |
//!
//! Both checksums of a head begin plainly. In every other frame what they cover is preceded by four bytes that are not
//! written: the CRC-32 of the head's payload. So a frame of another journal, as a disk may bring to light after a crash,
//! is never taken for one of this.
//!
//! Every frame can be read by itself, given the head; nothing in it depends on a frame before. The head therefore comes
//! twice at the start, again after 64 KiB, and again after every MiB. After damage a reader looks for the next mark whose two checksums
//! hold, from the byte after the mark that failed; a number that comes again is a frame that was doubled, and one that never
//! comes a frame that is lost.
//!
//! # Payloads
//!
//! - **head**: the [`SessionHead`](crate::SessionHead) as JSON; its channels have the numbers 0, 1, … in their order.
//! - **event**: a [`model::EventEnvelope`] as JSON; its times are nanoseconds.
//! - **end**: one byte, the exit code of the ending. The session was closed in order.
//! - **rows**: entries up to the end of the payload, see [`rows`]; their times are ticks of 10 µs.
//! - **exchanges**: entries up to the end of the payload, see [`trace`]; their times are nanoseconds.
//!
//! # Memory
//!
//! Writing keeps one batch and one buffer (about 100 KiB). Reading keeps one frame, thus at most a little over 1 MiB, and
//! its rows (at most 8192), whatever the bytes.

use model::{Ending, EventEnvelope, Exchange};

use crate::row::Row;

mod frame;
mod reader;
mod rows;
mod scan;
mod seen;
mod trace;
mod varint;

pub(crate) use frame::FrameWriter;
pub(crate) use reader::{FoundHead, JournalReader, NoHead, find_head};
pub(crate) use rows::RowWriter;
#[cfg(test)]
pub(crate) use rows::tests as sample_tests;
pub(crate) use trace::TraceWriter;

const MAGIC: [u8; 4] = *b"HGJ\x1a";
/// The version that is written, and the only one that is read.
pub(crate) const VERSION: u16 = 3;
/// Bytes before the first frame.
const HEADER: usize = 10;

/// The longest payload of a head or an event. A length beyond it is damage, and no memory is asked for it.
pub(crate) const LONGEST_PAYLOAD: usize = 1 << 20;
/// The longest payload of rows or exchanges.
pub(crate) const LONGEST_BATCH: usize = 128 << 10;
/// The most rows of a frame.
pub(crate) const MOST_ROWS: usize = 8 << 10;
/// The head is written again after so many bytes, so that the loss of the file's first blocks is not that of all.
const HEAD_AGAIN: usize = 64 << 10;
/// And again whenever so many bytes have come since.
const HEAD_EVERY: usize = 1 << 20;

const KIND_HEAD: u8 = 1;
const KIND_ROWS: u8 = 2;
const KIND_EXCHANGES: u8 = 3;
const KIND_EVENT: u8 = 4;
const KIND_END: u8 = 5;

/// One thing read from a journal.
#[derive(Debug, Clone, PartialEq)]
pub(crate) enum Frame {
    /// Readings and gaps in the order recorded.
    Samples(Vec<Row>),
    /// What was said on the wire, in the order recorded.
    Exchanges(Vec<Exchange>),
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

/// The version that the first bytes of a journal name, where they hold together.
fn version(bytes: &[u8]) -> Option<u16> {
    let bytes = bytes.first_chunk::<HEADER>()?;
    let whole = bytes[..4] == MAGIC && crc32fast::hash(&bytes[..6]).to_le_bytes() == bytes[6..];
    whole.then(|| u16::from_le_bytes([bytes[4], bytes[5]]))
}

#[cfg(test)]
mod damage_tests;
#[cfg(test)]
mod size_tests;
#[cfg(test)]
mod tests;
