//! Reading a journal: everything that is whole, wherever it lies.

use std::io::{self, Read};

use model::{EventEnvelope, Moment};

use super::frame::ending;
use super::scan::{Damage, Raw, Scan};
use super::seen::Seen;
use super::{
    Frame, HEADER, KIND_END, KIND_EVENT, KIND_EXCHANGES, KIND_HEAD, KIND_ROWS, VERSION, rows, trace,
};
use crate::card::{Cut, Stretch};
use crate::head::SessionHead;

/// Stretches told one by one; those after them are only counted.
const MOST_TOLD: usize = 32;

/// The head of a journal, and what binds its frames to it.
#[derive(Debug, Clone)]
pub(crate) struct FoundHead {
    pub(crate) head: SessionHead,
    seed: u32,
}

/// Why there is no head.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
pub(crate) enum NoHead {
    /// A journal of another version.
    #[error("it is a journal of version {0}; this program reads version {VERSION}")]
    Version(u16),
    /// Nothing was written.
    #[error("it is empty: the session had not begun")]
    Empty,
    /// No head can be read.
    #[error("no whole record says what session it is of, so nothing in it can be read")]
    Damaged,
}

/// Looks for the first head that is whole.
pub(crate) fn find_head(source: impl Read) -> io::Result<Result<FoundHead, NoHead>> {
    let mut scan = Scan::new(source);
    match scan.version()? {
        Some(VERSION) => scan.skip(HEADER),
        Some(other) => return Ok(Err(NoHead::Version(other))),
        None if scan.at_end()? => return Ok(Err(NoHead::Empty)),
        None => {}
    }
    while !scan.at_end()? {
        // The frames of other kinds cannot be told from damage before the head is known; passing over them byte by byte
        // finds every head all the same.
        if let Ok(Raw { kind: KIND_HEAD, payload, .. }) = scan.frame(0)?
            && let Ok(head) = serde_json::from_slice(payload)
        {
            return Ok(Ok(FoundHead { head, seed: crc32fast::hash(payload) }));
        }
        scan.skip_to_mark()?;
    }
    Ok(Err(NoHead::Damaged))
}

/// Reads frames one after the other, passes over what is damaged, and keeps account of it.
pub(crate) struct JournalReader<R> {
    scan: Scan<R>,
    found: FoundHead,
    seen: Seen,
    next: u32,
    account: Account,
}

impl<R: Read> JournalReader<R> {
    /// Begins to read a journal from its start, with the head that was found in it.
    pub(crate) fn new(source: R, found: &FoundHead) -> Self {
        let (scan, found) = (Scan::new(source), found.clone());
        Self { scan, found, seen: Seen::default(), next: 0, account: Account::default() }
    }

    /// The next whole frame; `None` at the end.
    pub(crate) fn next(&mut self) -> io::Result<Option<Frame>> {
        if self.scan.offset() == 0 {
            if self.scan.version()? == Some(VERSION) {
                self.scan.skip(HEADER);
            } else {
                self.account.damage(0, Damage::Header);
            }
        }
        loop {
            let at = self.scan.offset();
            if self.scan.at_end()? {
                self.account.close();
                return Ok(None);
            }
            match self.scan.frame(self.found.seed)? {
                Ok(raw) => {
                    let (number, bytes) = (raw.number, raw.bytes);
                    let frame = meaning(&self.found, raw);
                    self.scan.skip(bytes);
                    match frame {
                        Some(_) if !self.seen.note(number) => self.account.unused(at, bytes, Damage::Twice),
                        Some(frame) => {
                            if number != self.next {
                                self.account.damage(at, Damage::Order);
                            }
                            self.account.close();
                            self.next = number.wrapping_add(1);
                            if let Some(frame) = frame {
                                self.account.read(&frame);
                                return Ok(Some(frame));
                            }
                        }
                        None => self.account.unused(at, bytes, Damage::Meaning),
                    }
                }
                Err(damage) => {
                    self.account.damage(at, damage);
                    let bytes = self.scan.skip_to_mark()?;
                    self.account.lost(bytes);
                }
            }
        }
    }

    /// What could not be used, once [`JournalReader::next`] has given everything.
    pub(crate) fn finish(self) -> Option<Cut> {
        self.account.cut(self.seen.missing())
    }
}

/// What a frame says: nothing where it is the head again; `None` where it is of no form.
fn meaning(found: &FoundHead, raw: Raw<'_>) -> Option<Option<Frame>> {
    let payload = raw.payload;
    match raw.kind {
        KIND_HEAD => (crc32fast::hash(payload) == found.seed).then_some(None),
        KIND_ROWS => rows::decode(&found.head, payload).map(Frame::Samples).map(Some),
        KIND_EXCHANGES => trace::decode(payload).map(Frame::Exchanges).map(Some),
        KIND_EVENT => {
            let json = std::str::from_utf8(payload).ok()?;
            let event: EventEnvelope = serde_json::from_str(json).ok()?;
            Some(Some(Frame::Event(Box::new(event), json.to_owned())))
        }
        KIND_END => {
            let &[code] = payload else { return None };
            ending(code).map(Frame::End).map(Some)
        }
        _ => None,
    }
}

/// The first and the last moment that a frame tells of.
fn moments(frame: &Frame) -> Option<(Moment, Moment)> {
    match frame {
        Frame::Samples(rows) => Some((rows.first()?.at(), rows.last()?.at())),
        Frame::Exchanges(exchanges) => Some((exchanges.first()?.at, exchanges.last()?.at)),
        Frame::Event(event, _) => Some((event.at, event.at)),
        Frame::End(_) => None,
    }
}

/// An account of what could not be used.
#[derive(Default)]
struct Account {
    bytes: u64,
    places: u64,
    why: Option<Damage>,
    told: Vec<Stretch>,
    /// A stretch has begun and not ended.
    open: bool,
    /// The last moment before it.
    last: Option<Moment>,
    from: Option<Moment>,
    /// No moment has come since the last stretch.
    waiting: bool,
    to: Option<Moment>,
}

impl Account {
    /// A frame is not where it should be. Begins a stretch unless one is open.
    fn damage(&mut self, at: u64, why: Damage) {
        if self.open {
            return;
        }
        if self.places == 0 {
            self.from = self.last;
            self.why = Some(why);
        }
        self.open = true;
        self.places += 1;
        if self.told.len() < MOST_TOLD {
            let (bytes, why) = (0, why.to_string());
            self.told.push(Stretch { at, bytes, why, from: self.last, to: None });
        }
    }

    /// So many bytes of the open stretch are passed over.
    fn lost(&mut self, bytes: u64) {
        self.bytes += bytes;
        if self.places == self.told.len() as u64
            && let Some(stretch) = self.told.last_mut()
        {
            stretch.bytes += bytes;
        }
    }

    /// A frame that is whole, but cannot be used.
    fn unused(&mut self, at: u64, bytes: usize, why: Damage) {
        self.damage(at, why);
        self.lost(bytes as u64);
    }

    fn close(&mut self) {
        self.waiting |= self.open;
        self.open = false;
    }

    fn read(&mut self, frame: &Frame) {
        let Some((first, last)) = moments(frame) else { return };
        if self.waiting {
            self.waiting = false;
            self.to = Some(first);
            self.told.iter_mut().rev().take_while(|s| s.to.is_none()).for_each(|s| s.to = Some(first));
        }
        self.last = Some(last);
    }

    fn cut(self, missing: u64) -> Option<Cut> {
        let why = self.why?.to_string();
        let to = if self.waiting { None } else { self.to };
        let Self { bytes, places, from, told: stretches, .. } = self;
        Some(Cut { bytes, why, places, missing, from, to, stretches })
    }
}
