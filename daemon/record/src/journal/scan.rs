//! Finding frames in a stream of bytes, also behind damage, with bounded memory.

use std::io::{self, Read};

use super::frame::{AROUND, BEFORE, Label, MARK, checksum};
use super::{HEADER, version};

/// Bytes asked for at once.
const CHUNK: usize = 64 << 10;

/// Why no frame was read.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
pub(crate) enum Damage {
    /// The file does not begin as it should.
    #[error("its first bytes are not those of a journal")]
    Header,
    /// No frame begins where one should.
    #[error("a record does not begin where it should")]
    Mark,
    /// The file ends within a frame.
    #[error("the last record is not complete")]
    Torn,
    /// A checksum does not match.
    #[error("a checksum does not match")]
    Checksum,
    /// The bytes are as written, but mean nothing.
    #[error("a record is not of the form it should have")]
    Meaning,
    /// A frame came before.
    #[error("a record came twice")]
    Twice,
    /// The frame before is not the one that should be.
    #[error("records are missing or not in their order")]
    Order,
}

/// A frame whose checksums hold.
#[derive(Debug, Clone, Copy)]
pub(super) struct Raw<'a> {
    pub(super) kind: u8,
    pub(super) number: u32,
    pub(super) payload: &'a [u8],
    /// Of the whole frame.
    pub(super) bytes: usize,
}

/// A window that moves over a stream.
pub(super) struct Scan<R> {
    source: R,
    window: Vec<u8>,
    start: usize,
    /// Where the start lies in the stream.
    offset: u64,
    ended: bool,
}

impl<R: Read> Scan<R> {
    pub(super) fn new(source: R) -> Self {
        Self { source, window: Vec::new(), start: 0, offset: 0, ended: false }
    }

    /// Where the window begins in the stream.
    pub(super) fn offset(&self) -> u64 {
        self.offset
    }

    /// The version in the first bytes of the stream, where they hold together.
    pub(super) fn version(&mut self) -> io::Result<Option<u16>> {
        self.fill(HEADER)?;
        Ok(version(self.ahead()))
    }

    /// Whether nothing follows.
    pub(super) fn at_end(&mut self) -> io::Result<bool> {
        self.fill(1)?;
        Ok(self.ahead().is_empty())
    }

    /// The frame that begins here. It is passed over with [`Scan::skip`].
    pub(super) fn frame(&mut self, seed: u32) -> io::Result<Result<Raw<'_>, Damage>> {
        self.fill(AROUND)?;
        let Some(label) = self.ahead().first_chunk::<BEFORE>() else { return Ok(Err(Damage::Torn)) };
        let Some(Label { kind, length, number }) = Label::read(label, seed) else {
            let damage = if label.starts_with(&MARK) { Damage::Checksum } else { Damage::Mark };
            return Ok(Err(damage));
        };
        let bytes = length + AROUND;
        self.fill(bytes)?;
        let Some(frame) = self.ahead().get(..bytes) else { return Ok(Err(Damage::Torn)) };
        let (covered, crc) = frame.split_at(bytes - 4);
        if checksum(kind, seed, covered).to_le_bytes() != crc {
            return Ok(Err(Damage::Checksum));
        }
        Ok(Ok(Raw { kind, number, payload: &covered[BEFORE..], bytes }))
    }

    /// Passes over bytes that have been looked at.
    pub(super) fn skip(&mut self, bytes: usize) {
        self.start += bytes;
        self.offset += bytes as u64;
    }

    /// Passes over one byte, and all that follow up to where a frame may begin. Says how many.
    pub(super) fn skip_to_mark(&mut self) -> io::Result<u64> {
        let from = self.offset;
        self.skip(1);
        loop {
            self.fill(MARK.len())?;
            let ahead = self.ahead();
            if ahead.len() < MARK.len() {
                let rest = ahead.len();
                self.skip(rest);
                break;
            }
            match ahead.windows(MARK.len()).position(|bytes| bytes == MARK) {
                Some(0) => break,
                Some(n) => self.skip(n),
                None => self.skip(ahead.len() - 1),
            }
        }
        Ok(self.offset - from)
    }

    fn ahead(&self) -> &[u8] {
        &self.window[self.start..]
    }

    /// Reads until so many bytes lie ahead or the stream ends.
    fn fill(&mut self, wanted: usize) -> io::Result<()> {
        while self.window.len() - self.start < wanted && !self.ended {
            self.window.drain(..self.start);
            self.start = 0;
            let have = self.window.len();
            self.window.resize(have.max(wanted) + CHUNK, 0);
            let got = loop {
                match self.source.read(&mut self.window[have..]) {
                    Err(e) if e.kind() == io::ErrorKind::Interrupted => {}
                    other => break other,
                }
            };
            self.window.truncate(have + got.as_ref().copied().unwrap_or(0));
            self.ended = got? == 0;
        }
        Ok(())
    }
}
