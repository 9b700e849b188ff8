//! Frames as bytes.

use model::Ending;

use super::{
    HEAD_AGAIN, HEAD_EVERY, KIND_END, KIND_EVENT, KIND_EXCHANGES, KIND_HEAD, KIND_ROWS, LONGEST_BATCH,
    LONGEST_PAYLOAD, header,
};

/// What every frame begins with.
pub(super) const MARK: [u8; 2] = [0xc9, 0x5a];
/// Bytes before a payload.
pub(super) const BEFORE: usize = 12;
/// Bytes around a payload.
pub(super) const AROUND: usize = BEFORE + 4;

/// What a frame says of itself before its payload.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Label {
    pub(super) kind: u8,
    pub(super) length: usize,
    pub(super) number: u32,
}

impl Label {
    /// Reads a label whose checksum holds; `seed` is that of the journal.
    pub(super) fn read(bytes: &[u8; BEFORE], seed: u32) -> Option<Self> {
        let [m0, m1, kind, l0, l1, l2, n0, n1, n2, n3, c0, c1] = *bytes;
        let length = u32::from_le_bytes([l0, l1, l2, 0]) as usize;
        let whole = [m0, m1] == MARK
            && checksum(kind, seed, &bytes[..10]) as u16 == u16::from_le_bytes([c0, c1])
            && length <= longest(kind);
        whole.then(|| Self { kind, length, number: u32::from_le_bytes([n0, n1, n2, n3]) })
    }

    fn write(self, seed: u32, out: &mut Vec<u8>) {
        let start = out.len();
        out.extend_from_slice(&MARK);
        out.push(self.kind);
        out.extend_from_slice(&(self.length as u32).to_le_bytes()[..3]);
        out.extend_from_slice(&self.number.to_le_bytes());
        let check = checksum(self.kind, seed, &out[start..]) as u16;
        out.extend_from_slice(&check.to_le_bytes());
    }
}

/// The longest payload of a kind.
fn longest(kind: u8) -> usize {
    match kind {
        KIND_ROWS | KIND_EXCHANGES => LONGEST_BATCH,
        _ => LONGEST_PAYLOAD,
    }
}

/// The checksum of a part of a frame.
pub(super) fn checksum(kind: u8, seed: u32, bytes: &[u8]) -> u32 {
    let mut hasher = crc32fast::Hasher::new();
    if kind != KIND_HEAD {
        hasher.update(&seed.to_le_bytes());
    }
    hasher.update(bytes);
    hasher.finalize()
}

/// Makes frames, numbered and bound to their head.
pub(crate) struct FrameWriter {
    head: Vec<u8>,
    seed: u32,
    number: u32,
    until_head: usize,
}

/// A payload that no frame can hold.
#[derive(Debug, thiserror::Error)]
#[error("{0} bytes are more than a record can hold (at most {LONGEST_PAYLOAD})")]
pub(crate) struct TooLong(usize);

impl FrameWriter {
    /// Begins a journal with its head, twice.
    pub(crate) fn begin(head: Vec<u8>, out: &mut Vec<u8>) -> Result<Self, TooLong> {
        if head.len() > LONGEST_PAYLOAD {
            return Err(TooLong(head.len()));
        }
        out.extend_from_slice(&header());
        let seed = crc32fast::hash(&head);
        let mut writer = Self { head, seed, number: 0, until_head: 0 };
        writer.head(out);
        writer.head(out);
        writer.until_head = HEAD_AGAIN;
        Ok(writer)
    }

    /// Readings and gaps.
    pub(crate) fn rows(&mut self, payload: &[u8], out: &mut Vec<u8>) {
        self.frame(KIND_ROWS, payload, out).expect("the writer closes a batch long before a frame is full");
    }

    /// What was said on the wire.
    pub(crate) fn exchanges(&mut self, payload: &[u8], out: &mut Vec<u8>) {
        self.frame(KIND_EXCHANGES, payload, out)
            .expect("the writer closes a batch long before a frame is full");
    }

    /// An event as JSON.
    pub(crate) fn event(&mut self, json: &[u8], out: &mut Vec<u8>) -> Result<(), TooLong> {
        self.frame(KIND_EVENT, json, out)
    }

    /// The session is closed in order.
    pub(crate) fn end(&mut self, ending: Ending, out: &mut Vec<u8>) {
        self.frame(KIND_END, &[ending.exit_code()], out).expect("an ending is one byte");
    }

    fn frame(&mut self, kind: u8, payload: &[u8], out: &mut Vec<u8>) -> Result<(), TooLong> {
        if payload.len() > longest(kind) {
            return Err(TooLong(payload.len()));
        }
        if self.until_head == 0 {
            self.head(out);
        }
        self.put(kind, payload, out);
        Ok(())
    }

    fn head(&mut self, out: &mut Vec<u8>) {
        let head = std::mem::take(&mut self.head);
        self.put(KIND_HEAD, &head, out);
        self.head = head;
        self.until_head = HEAD_EVERY;
    }

    fn put(&mut self, kind: u8, payload: &[u8], out: &mut Vec<u8>) {
        let start = out.len();
        Label { kind, length: payload.len(), number: self.number }.write(self.seed, out);
        out.extend_from_slice(payload);
        let crc = checksum(kind, self.seed, &out[start..]);
        out.extend_from_slice(&crc.to_le_bytes());
        // Four thousand million frames are more than any disk holds; beyond them a reader would take them for doubled.
        self.number = self.number.wrapping_add(1);
        self.until_head = self.until_head.saturating_sub(out.len() - start);
    }
}

/// The ending with this exit code.
pub(super) fn ending(code: u8) -> Option<Ending> {
    Ending::BY_PRECEDENCE.into_iter().find(|e| e.exit_code() == code)
}
