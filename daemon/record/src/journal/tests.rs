//! The journal against every cut and every flipped bit.

use std::ops::Range;

use model::{ChannelId, Ending, Exchange, GapReason, Moment, Sample, Span};

use super::rows::tests::payload;
use super::*;
use crate::card::Cut;
use crate::head::SessionHead;
use crate::row::Row;
use crate::testing::{event, gap, head, sample};

/// A journal as bytes, and what lies where.
pub(super) struct Built {
    pub(super) bytes: Vec<u8>,
    /// Every frame's place and what it says; nothing where it is the head.
    pub(super) frames: Vec<(Range<usize>, Option<Frame>)>,
    writer: FrameWriter,
    rows: RowWriter,
    trace: TraceWriter,
    session: SessionHead,
    events: u64,
}

impl Built {
    pub(super) fn begin(session: &str) -> Self {
        let head = head(session);
        let mut bytes = Vec::new();
        let writer = FrameWriter::begin(serde_json::to_vec(&head).unwrap(), &mut bytes).unwrap();
        let middle = HEADER + (bytes.len() - HEADER) / 2;
        let frames = vec![(HEADER..middle, None), (middle..bytes.len(), None)];
        let (rows, trace) = (RowWriter::new(&head), TraceWriter::default());
        Self { bytes, frames, writer, rows, trace, session: head, events: 0 }
    }

    fn push(&mut self, frame: Frame) {
        let mut start = self.frames.last().expect("a head stands first").0.end;
        // A head that came again stands before the frame.
        if self.bytes[start + 2] == KIND_HEAD {
            let head = self.frames[0].0.len();
            self.frames.push((start..start + head, None));
            start += head;
        }
        self.frames.push((start..self.bytes.len(), Some(frame)));
    }

    pub(super) fn rows(&mut self, rows: Vec<Row>) {
        let payload = payload(&mut self.rows, &rows);
        self.writer.rows(&payload, &mut self.bytes);
        self.push(Frame::Samples(rows));
    }

    pub(super) fn exchanges(&mut self, exchanges: Vec<Exchange>) {
        exchanges.iter().for_each(|exchange| assert!(self.trace.push(exchange)));
        let Self { trace, writer, bytes, .. } = self;
        trace.take(|payload| writer.exchanges(payload, bytes));
        self.push(Frame::Exchanges(exchanges));
    }

    pub(super) fn event(&mut self, at: i64, text: &str) {
        self.events += 1;
        let event = event(self.session.session.as_str(), self.events, at, text);
        let json = serde_json::to_string(&event).unwrap();
        self.writer.event(json.as_bytes(), &mut self.bytes).unwrap();
        self.push(Frame::Event(Box::new(event), json));
    }

    pub(super) fn end(&mut self) {
        self.writer.end(Ending::Stopped, &mut self.bytes);
        self.push(Frame::End(Ending::Stopped));
    }

    /// What a reader gives of it, but for the frames that are left out.
    fn told(&self, left_out: impl Fn(&Range<usize>) -> bool) -> Vec<Frame> {
        let whole = self.frames.iter().filter(|(place, _)| !left_out(place));
        whole.filter_map(|(_, frame)| frame.clone()).collect()
    }
}

/// A small journal with a frame of every kind.
fn small(session: &str) -> Built {
    let mut built = Built::begin(session);
    let stranger = ChannelId::new("stranger").unwrap();
    for i in 0..3 {
        let at = i * 100_000_000;
        let mut samples: Vec<Sample> = (0..4)
            .flat_map(|n| {
                [("rpm", 34 + n), ("volts", 700)].map(|(c, raw)| sample(c, at + n * 20_000_000, raw))
            })
            .collect();
        samples.push(Sample { channel: stranger.clone(), ..sample("volts", at + 90_000_000, -1) });
        let gap = gap("volts", at + 95_000_000, GapReason::ALL[i as usize]);
        built.rows(samples.into_iter().map(Row::Sample).chain([Row::Gap(gap)]).collect());
        built.event(at + 96_000_001, "a remark");
    }
    built.exchanges(vec![Exchange {
        at: Moment(300_000_007),
        took: Span(1_003),
        request: vec![0x81, 0x11],
        answer: vec![0xc9, 0x5a, 2, 0, 0],
        fault: None,
    }]);
    built.end();
    built
}

/// Everything that a journal gives, and what could not be used of it.
pub(super) fn read(bytes: &[u8]) -> Result<(Vec<Frame>, Option<Cut>), NoHead> {
    let found = find_head(bytes).unwrap()?;
    let mut reader = JournalReader::new(bytes, &found);
    let mut frames = Vec::new();
    while let Some(frame) = reader.next().unwrap() {
        frames.push(frame);
    }
    Ok((frames, reader.finish()))
}

#[test]
fn a_journal_comes_back() {
    let built = small("s1");
    assert_eq!(read(&built.bytes), Ok((built.told(|_| false), None)));
}

#[test]
fn cut_anywhere_it_gives_every_whole_frame_and_invents_none() {
    let built = small("s1");
    let first = built.frames[0].0.end;
    for length in 0..built.bytes.len() {
        let bytes = &built.bytes[..length];
        if length < first {
            let why = if length == 0 { NoHead::Empty } else { NoHead::Damaged };
            assert_eq!(read(bytes), Err(why), "cut at {length}");
            continue;
        }
        let (read, cut) = read(bytes).unwrap();
        assert_eq!(read, built.told(|place| place.end > length), "cut at {length}");
        let ends = built.frames.iter().map(|(place, _)| place.end);
        let lost = length - ends.filter(|end| *end <= length).max().unwrap();
        assert_eq!(cut.is_some(), lost > 0, "cut at {length}");
        if let Some(cut) = cut {
            assert_eq!((cut.bytes, cut.places, cut.missing, cut.to), (lost as u64, 1, 0, None));
            assert!(cut.to_string().contains("at its end"), "{cut}");
            assert!(cut.why.contains("not complete"), "cut at {length}: {cut}");
        }
    }
}

/// The bytes up to the first frame, or the frame in which a byte lies.
fn place_of(built: &Built, byte: usize) -> Range<usize> {
    let within = built.frames.iter().find(|(place, _)| place.contains(&byte));
    within.map_or(0..HEADER, |(place, _)| place.clone())
}

#[test]
fn a_flipped_bit_is_never_silent_and_costs_its_own_frame_alone() {
    let built = small("s1");
    for bit in 0..built.bytes.len() * 8 {
        let mut bad = built.bytes.clone();
        bad[bit / 8] ^= 1 << (bit % 8);
        let place = place_of(&built, bit / 8);
        let (read, cut) = read(&bad).unwrap_or_else(|why| panic!("bit {bit}: {why}"));
        assert_eq!(read, built.told(|other| *other == place), "bit {bit}");
        let cut = cut.unwrap_or_else(|| panic!("bit {bit} is silent"));
        assert_eq!((cut.bytes, cut.places), (place.len() as u64, 1), "bit {bit}");
        let known = place.start >= HEADER && place.end < built.bytes.len();
        assert_eq!(cut.missing, u64::from(known), "bit {bit}");
    }
}

#[test]
fn the_times_around_damage_are_told() {
    let built = small("s1");
    let mut bad = built.bytes.clone();
    // The second frame of rows and, apart from it, the last event.
    for number in [4, 7] {
        bad[built.frames[number].0.start + 14] ^= 1;
    }
    let cut = read(&bad).unwrap().1.unwrap();
    let times = |n: i64| Some(Moment(n));
    assert_eq!((cut.places, cut.missing, cut.from, cut.to), (2, 2, times(96_000_001), times(300_000_007)));
    let [first, second] = &cut.stretches[..] else { panic!("{cut:?}") };
    assert_eq!((first.at, first.bytes), (built.frames[4].0.start as u64, built.frames[4].0.len() as u64));
    assert_eq!((first.from, first.to), (times(96_000_001), times(196_000_001)));
    assert_eq!((second.from, second.to), (times(295_000_000), times(300_000_007)));
}

#[test]
fn a_frame_lost_is_told() {
    let built = small("s1");
    let place = built.frames[3].0.clone();
    let without = [&built.bytes[..place.start], &built.bytes[place.end..]].concat();
    let (read, cut) = read(&without).unwrap();
    assert_eq!(read, built.told(|other| *other == place));
    let cut = cut.unwrap();
    assert_eq!((cut.bytes, cut.places, cut.missing), (0, 1, 1));
    assert!(cut.why.contains("missing"), "{cut}");
}

#[test]
fn a_frame_doubled_is_told_and_used_once() {
    let built = small("s1");
    let place = built.frames[3].0.clone();
    let doubled = [&built.bytes[..place.end], &built.bytes[place.start..]].concat();
    let (read, cut) = read(&doubled).unwrap();
    assert_eq!(read, built.told(|_| false));
    let cut = cut.unwrap();
    assert_eq!((cut.bytes, cut.places, cut.missing), (place.len() as u64, 1, 0));
    assert!(cut.why.contains("twice"), "{cut}");
}

#[test]
fn a_frame_moved_is_told_and_used() {
    let built = small("s1");
    let [place, to] = [3, 6].map(|n: usize| built.frames[n].0.clone());
    let (before, after) = (&built.bytes[..place.start], &built.bytes[to.end..]);
    let moved = [before, &built.bytes[place.end..to.end], &built.bytes[place], after].concat();
    let (read, cut) = read(&moved).unwrap();
    let mut wanted = built.told(|_| false);
    let frame = wanted.remove(1);
    wanted.insert(4, frame);
    assert_eq!(read, wanted);
    let cut = cut.unwrap();
    assert_eq!((cut.bytes, cut.missing), (0, 0));
    assert!(cut.why.contains("order"), "{cut}");
}

#[test]
fn a_frame_of_another_journal_is_not_taken() {
    let (built, other) = (small("s1"), small("s2"));
    let (mine, theirs) = (built.frames[3].0.clone(), &other.bytes[other.frames[3].0.clone()]);
    let mixed = [&built.bytes[..mine.start], theirs, &built.bytes[mine.end..]].concat();
    let (read, cut) = read(&mixed).unwrap();
    assert_eq!(read, built.told(|place| *place == mine));
    assert_eq!(cut.unwrap().bytes, theirs.len() as u64);
}

#[test]
fn a_journal_of_another_version_is_named_as_such() {
    let mut bytes = small("s1").bytes;
    for version in [1_u16, 2, 4, 65_535] {
        bytes[4..6].copy_from_slice(&version.to_le_bytes());
        let crc = crc32fast::hash(&bytes[..6]);
        bytes[6..HEADER].copy_from_slice(&crc.to_le_bytes());
        assert_eq!(read(&bytes), Err(NoHead::Version(version)));
    }
    assert!(NoHead::Version(2).to_string().contains("version 2"));
}

#[test]
fn the_head_comes_again_so_that_the_first_blocks_may_be_lost() {
    let mut built = Built::begin("s1");
    for i in 0..2_200 {
        built.event(i, &"x".repeat(1_000));
    }
    let heads: Vec<usize> =
        built.frames.iter().filter(|(_, frame)| frame.is_none()).map(|(place, _)| place.start).collect();
    assert!(
        matches!(heads[..], [_, _, 65_536..=70_000, 1_100_000..=1_150_000, 2_150_000..=2_250_000]),
        "{heads:?}"
    );
    assert_eq!(read(&built.bytes), Ok((built.told(|_| false), None)));
    let mut bad = built.bytes.clone();
    bad[..40_000].fill(0);
    let (read, cut) = read(&bad).unwrap();
    assert_eq!(read, built.told(|place| place.start < 40_000));
    let within = built.frames.iter().filter(|(place, _)| place.start < 40_000);
    let end = within.clone().next_back().unwrap().0.end;
    let cut = cut.unwrap();
    assert_eq!((cut.bytes, cut.missing), (end as u64, within.count() as u64));
    assert_eq!((cut.from, cut.to.is_some()), (None, true));
}

#[test]
fn no_length_is_believed_that_no_frame_has() {
    let mut built = small("s1");
    // A label whose checksum holds, and whose length is beyond every frame's.
    let start = built.bytes.len();
    let found = find_head(&built.bytes[..]).unwrap().unwrap();
    let seed = crc32fast::hash(&serde_json::to_vec(&found.head).unwrap());
    built.bytes.extend_from_slice(&[0xc9, 0x5a, KIND_EVENT, 0, 0, 0xff, 99, 0, 0, 0]);
    let check = frame::checksum(KIND_EVENT, seed, &built.bytes[start..]) as u16;
    built.bytes.extend_from_slice(&check.to_le_bytes());
    let (read, cut) = read(&built.bytes).unwrap();
    assert_eq!(read, built.told(|_| false));
    assert_eq!(cut.unwrap().bytes, 12);
}

proptest::proptest! {
    #[test]
    fn no_bytes_panic(bytes: Vec<u8>) {
        let head = &Built::begin("s1").bytes;
        read(&[head, &bytes[..]].concat()).unwrap();
        read(&[&head[..HEADER], &bytes[..]].concat()).ok();
        read(&bytes).ok();
    }
}

#[test]
fn the_checksum_is_the_published_crc_32() {
    // The check value of CRC-32/ISO-HDLC for "123456789" (from memory).
    assert_eq!(crc32fast::hash(b"123456789"), 0xcbf4_3926);
}
