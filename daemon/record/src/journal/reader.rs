//! Reading a journal up to its first damaged frame.

use std::io::{self, BufReader, Read};

use model::ChannelId;

use super::frame::{chain, ending};
use super::{
    Codec, Frame, HEADER, KIND_CHANNEL, KIND_END, KIND_EVENT, KIND_HEAD, KIND_SAMPLES, LONGEST_PAYLOAD,
    header, varint,
};

/// Why a journal cannot be read further.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub(crate) enum Damage {
    /// The file does not begin as a journal of this version.
    #[error("it does not begin as a journal that this program knows")]
    Header,
    /// A frame is not complete.
    #[error("the last record is not complete")]
    Torn,
    /// A checksum does not match.
    #[error("a checksum does not match")]
    Checksum,
    /// A length is beyond what any frame may have.
    #[error("a record claims to be longer than any can be")]
    TooLong,
    /// The bytes are as written, but mean nothing.
    #[error("a record is not of the form it should have")]
    Meaning,
    /// The first frame is not a head, or a later one is.
    #[error("the records are not in their order")]
    Order,
}

/// Reads frames one after the other with bounded memory.
pub(crate) struct JournalReader<R> {
    source: BufReader<R>,
    crc: u32,
    codec: Option<Codec>,
    ended: bool,
    good: u64,
    consumed: u64,
    damage: Option<Damage>,
}

impl<R: Read> JournalReader<R> {
    /// Begins to read.
    pub(crate) fn new(source: R) -> Self {
        Self {
            source: BufReader::with_capacity(1 << 16, source),
            crc: 0,
            codec: None,
            ended: false,
            good: 0,
            consumed: 0,
            damage: None,
        }
    }

    /// The next frame; `None` at the end or at the first damage.
    pub(crate) fn next(&mut self) -> io::Result<Option<Frame>> {
        if self.damage.is_some() {
            return Ok(None);
        }
        match self.try_next()? {
            Ok(frame) => {
                self.good = self.consumed;
                Ok(frame)
            }
            Err(damage) => {
                self.damage = Some(damage);
                Ok(None)
            }
        }
    }

    /// What stopped the reading, and how many bytes from there to the end of the file are lost with it.
    pub(crate) fn finish(mut self) -> io::Result<Option<(Damage, u64)>> {
        let Some(damage) = self.damage.take() else { return Ok(None) };
        let rest = io::copy(&mut self.source, &mut io::sink())?;
        Ok(Some((damage, self.consumed - self.good + rest)))
    }

    fn try_next(&mut self) -> io::Result<Result<Option<Frame>, Damage>> {
        if self.consumed == 0 {
            let mut bytes = [0; HEADER];
            if self.fill(&mut bytes)? < HEADER || bytes != header() {
                return Ok(Err(Damage::Header));
            }
            self.crc = crc32fast::hash(&bytes);
        }
        // Kind and length together are at most four bytes: 1 MiB is a varint of three.
        let mut frame = vec![0; 1];
        if self.fill(&mut frame)? == 0 {
            return Ok(if self.codec.is_some() { Ok(None) } else { Err(Damage::Torn) });
        }
        let length = loop {
            let mut byte = [0];
            if self.fill(&mut byte)? == 0 {
                return Ok(Err(Damage::Torn));
            }
            frame.push(byte[0]);
            if byte[0] & 0x80 == 0 {
                break varint::take(&mut &frame[1..]).map_or(usize::MAX, |n| n as usize);
            }
            if frame.len() > 4 {
                break usize::MAX;
            }
        };
        if length > LONGEST_PAYLOAD {
            return Ok(Err(Damage::TooLong));
        }
        let start = frame.len();
        frame.resize(start + length, 0);
        let mut crc = [0; 4];
        if self.fill(&mut frame[start..])? < length || self.fill(&mut crc)? < crc.len() {
            return Ok(Err(Damage::Torn));
        }
        let seen = chain(self.crc, &frame);
        if seen.to_le_bytes() != crc {
            return Ok(Err(Damage::Checksum));
        }
        self.crc = seen;
        Ok(self.meaning(frame[0], &frame[start..]).map(Some))
    }

    fn meaning(&mut self, kind: u8, payload: &[u8]) -> Result<Frame, Damage> {
        let Some(codec) = &mut self.codec else {
            if kind != KIND_HEAD {
                return Err(Damage::Order);
            }
            let head = serde_json::from_slice(payload).map_err(|_| Damage::Meaning)?;
            self.codec = Some(Codec::new(&head));
            return Ok(Frame::Head(Box::new(head)));
        };
        if self.ended {
            return Err(Damage::Order);
        }
        match kind {
            KIND_HEAD => Err(Damage::Order),
            KIND_CHANNEL => {
                let text = std::str::from_utf8(payload).map_err(|_| Damage::Meaning)?;
                let id = ChannelId::new(text).map_err(|_| Damage::Meaning)?;
                codec.add(id.clone());
                Ok(Frame::Channel(id))
            }
            KIND_SAMPLES => codec.decode_batch(payload).map(Frame::Samples).ok_or(Damage::Meaning),
            KIND_EVENT => {
                let json = std::str::from_utf8(payload).map_err(|_| Damage::Meaning)?;
                let event = serde_json::from_str(json).map_err(|_| Damage::Meaning)?;
                Ok(Frame::Event(Box::new(event), json.to_owned()))
            }
            KIND_END => {
                let &[code] = payload else { return Err(Damage::Meaning) };
                self.ended = true;
                ending(code).map(Frame::End).ok_or(Damage::Meaning)
            }
            _ => Err(Damage::Meaning),
        }
    }

    /// Reads until the buffer is full or the file ends, and says how much came.
    fn fill(&mut self, buffer: &mut [u8]) -> io::Result<usize> {
        let mut got = 0;
        while got < buffer.len() {
            match self.source.read(&mut buffer[got..]) {
                Ok(0) => break,
                Ok(n) => got += n,
                Err(e) if e.kind() == io::ErrorKind::Interrupted => {}
                Err(e) => return Err(e),
            }
        }
        self.consumed += got as u64;
        Ok(got)
    }
}
