//! The journal against every cut and every flipped bit.

use super::reader::Damage;
use super::*;
use crate::testing::{event, gap, head, sample};
use model::{GapReason, Sample};

/// A small journal, its frames, and the offset at which each ends.
fn small() -> (Vec<u8>, Vec<Frame>, Vec<usize>) {
    let head = head("s1");
    let (mut bytes, mut frames, mut ends) = (Vec::new(), Vec::new(), Vec::new());
    let mut writer = FrameWriter::begin(&mut bytes);
    writer.head(&serde_json::to_vec(&head).unwrap(), &mut bytes).unwrap();
    let mut codec = Codec::new(&head);
    frames.push(Frame::Head(Box::new(head)));
    ends.push(bytes.len());
    let stranger = ChannelId::new("stranger").unwrap();
    writer.channel(&stranger, &mut bytes);
    codec.add(stranger.clone());
    frames.push(Frame::Channel(stranger.clone()));
    ends.push(bytes.len());
    for i in 0..3 {
        let mut samples = vec![sample("rpm", i * 10, 34 + i), sample("volts", i * 10 + 3, 700)];
        samples.push(Sample { channel: stranger.clone(), ..sample("volts", i * 10 + 4, -1) });
        let mut body = Vec::new();
        for sample in &samples {
            assert!(codec.encode(sample, &mut body));
        }
        let gap = gap("volts", i * 10 + 5, GapReason::ALL[i as usize]);
        assert!(codec.encode_gap(&gap, &mut body));
        writer.samples(4, &body, &mut bytes);
        let rows = samples.into_iter().map(Row::Sample).chain([Row::Gap(gap)]);
        frames.push(Frame::Samples(rows.collect()));
        ends.push(bytes.len());
        let event = event("s1", i as u64 + 1, i * 10 + 5, "a remark");
        let json = serde_json::to_string(&event).unwrap();
        writer.event(json.as_bytes(), &mut bytes).unwrap();
        frames.push(Frame::Event(Box::new(event), json));
        ends.push(bytes.len());
    }
    writer.end(Ending::Stopped, &mut bytes);
    frames.push(Frame::End(Ending::Stopped));
    ends.push(bytes.len());
    (bytes, frames, ends)
}

fn read(bytes: &[u8]) -> (Vec<Frame>, Option<(Damage, u64)>) {
    let mut reader = JournalReader::new(bytes);
    let mut frames = Vec::new();
    while let Some(frame) = reader.next().unwrap() {
        frames.push(frame);
    }
    (frames, reader.finish().unwrap())
}

#[test]
fn a_journal_comes_back() {
    let (bytes, frames, _) = small();
    assert_eq!(read(&bytes), (frames, None));
}

#[test]
fn cut_anywhere_it_gives_every_whole_frame_and_invents_none() {
    let (bytes, frames, ends) = small();
    for length in 0..bytes.len() {
        let whole = ends.iter().filter(|end| **end <= length).count();
        let (read, damage) = read(&bytes[..length]);
        assert_eq!(read, frames[..whole], "cut at {length}");
        let from = if whole == 0 { 0 } else { ends[whole - 1] };
        if whole > 0 && from == length {
            assert_eq!(damage, None, "cut at {length}");
        } else {
            let (_, lost) = damage.unwrap();
            assert_eq!(lost, (length - from) as u64, "cut at {length}");
        }
    }
}

#[test]
fn a_flipped_bit_is_never_silent() {
    let (bytes, frames, ends) = small();
    for bit in 0..bytes.len() * 8 {
        let mut bad = bytes.clone();
        bad[bit / 8] ^= 1 << (bit % 8);
        let (read, damage) = read(&bad);
        let whole = ends.iter().filter(|end| **end <= bit / 8).count();
        assert_eq!(read, frames[..whole], "bit {bit}");
        let from = if whole == 0 { 0 } else { ends[whole - 1] };
        assert_eq!(damage.unwrap().1, (bytes.len() - from) as u64, "bit {bit}");
    }
}

#[test]
fn a_frame_lost_doubled_or_moved_is_damage() {
    let (bytes, frames, ends) = small();
    let without = [&bytes[..ends[2]], &bytes[ends[3]..]].concat();
    let doubled = [&bytes[..ends[3]], &bytes[ends[2]..]].concat();
    for (bad, whole) in [(without, 3), (doubled, 4)] {
        let (read, damage) = read(&bad);
        assert_eq!(read, frames[..whole]);
        assert_eq!(damage.unwrap().0, Damage::Checksum);
    }
}

#[test]
fn a_claimed_length_beyond_the_limit_is_refused_without_asking_for_memory() {
    let mut bytes = header().to_vec();
    bytes.push(KIND_HEAD);
    bytes.extend_from_slice(&[0xff, 0xff, 0xff, 0xff, 0x7f]);
    assert_eq!(read(&bytes).1.unwrap().0, Damage::TooLong);
}

proptest::proptest! {
    #[test]
    fn no_bytes_panic(bytes: Vec<u8>) {
        let whole = [header().as_slice(), bytes.as_slice()].concat();
        read(&whole);
        read(&bytes);
    }
}

#[test]
fn the_checksum_is_the_published_crc_32() {
    // The check value of CRC-32/ISO-HDLC for "123456789" (from memory).
    assert_eq!(crc32fast::hash(b"123456789"), 0xcbf4_3926);
}
