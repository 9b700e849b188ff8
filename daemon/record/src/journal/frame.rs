//! Frames as bytes.

use model::{ChannelId, Ending};

use super::{
    KIND_CHANNEL, KIND_END, KIND_EVENT, KIND_HEAD, KIND_SAMPLES, LONGEST_PAYLOAD, codec, header, varint,
};

/// Makes frames, each bound to the one before it.
pub(crate) struct FrameWriter {
    crc: u32,
}

/// A payload that no frame can hold.
#[derive(Debug, thiserror::Error)]
#[error("{0} bytes are more than a record can hold (at most {LONGEST_PAYLOAD})")]
pub(crate) struct TooLong(usize);

impl FrameWriter {
    /// Begins a journal.
    pub(crate) fn begin(out: &mut Vec<u8>) -> Self {
        let header = header();
        out.extend_from_slice(&header);
        Self { crc: crc32fast::hash(&header) }
    }

    pub(crate) fn head(&mut self, json: &[u8], out: &mut Vec<u8>) -> Result<(), TooLong> {
        self.frame(KIND_HEAD, json, out)
    }

    pub(crate) fn channel(&mut self, id: &ChannelId, out: &mut Vec<u8>) {
        self.frame(KIND_CHANNEL, id.as_str().as_bytes(), out).expect("an id has at most 64 bytes");
    }

    pub(crate) fn samples(&mut self, count: u64, body: &[u8], out: &mut Vec<u8>) {
        let payload = codec::batch(count, body);
        self.frame(KIND_SAMPLES, &payload, out)
            .expect("the writer closes a batch long before a frame is full");
    }

    pub(crate) fn event(&mut self, json: &[u8], out: &mut Vec<u8>) -> Result<(), TooLong> {
        self.frame(KIND_EVENT, json, out)
    }

    pub(crate) fn end(&mut self, ending: Ending, out: &mut Vec<u8>) {
        self.frame(KIND_END, &[ending.exit_code()], out).expect("an ending is one byte");
    }

    fn frame(&mut self, kind: u8, payload: &[u8], out: &mut Vec<u8>) -> Result<(), TooLong> {
        if payload.len() > LONGEST_PAYLOAD {
            return Err(TooLong(payload.len()));
        }
        let start = out.len();
        out.push(kind);
        varint::put(out, payload.len() as u64);
        out.extend_from_slice(payload);
        self.crc = chain(self.crc, &out[start..]);
        out.extend_from_slice(&self.crc.to_le_bytes());
        Ok(())
    }
}

/// The checksum of a frame that follows another.
pub(super) fn chain(before: u32, frame: &[u8]) -> u32 {
    let mut hasher = crc32fast::Hasher::new();
    hasher.update(&before.to_le_bytes());
    hasher.update(frame);
    hasher.finalize()
}

/// The ending with this exit code.
pub(super) fn ending(code: u8) -> Option<Ending> {
    Ending::BY_PRECEDENCE.into_iter().find(|e| e.exit_code() == code)
}
