//! Journals damaged as a disk damages a file: what lies outside the damage comes back exactly and once, the damage is told,
//! nothing panics.

use model::{ChannelId, Exchange, GapReason, Moment, Quality, Sample, Span};
use rand::{RngExt, SeedableRng};
use rand_pcg::Pcg64;

use super::tests::{Built, read};
use super::*;
use crate::row::Row;
use crate::testing::{gap, in_full, sample};

/// Half a minute of a run: some 27 KiB, with frames of every kind.
fn journal() -> Built {
    let mut dice = Pcg64::seed_from_u64(3);
    let mut built = Built::begin("s1");
    for i in 0..130 {
        let at = i * 250_000_000;
        let mut rows = Vec::new();
        for n in 0..12 {
            for channel in ["rpm", "volts"] {
                rows.push(Row::Sample(sample(channel, at + n * 20_000_000, dice.random_range(30..40))));
            }
            if n == 7 {
                rows.push(Row::Gap(gap("rpm", at + n * 20_000_000, GapReason::Damaged)));
            }
            if n == 8 {
                let channel = ChannelId::new("stranger").unwrap();
                let odd = sample("rpm", at + n * 20_000_000, dice.random_range(-9..9));
                rows.push(Row::Sample(Sample { channel, quality: Quality::Invalid, ..odd }));
            }
        }
        built.rows(rows);
        if i % 3 == 0 {
            built.event(at + 1, &format!("remark {i}"));
        }
        if i % 5 == 0 {
            let exchange = |n: i64| Exchange {
                at: Moment(at + n),
                took: Span(9_000_000),
                request: vec![0x82, 0x11, 0xf1, 0x21, dice.random()],
                answer: (0..20).map(|_| dice.random()).collect(),
                fault: None,
            };
            built.exchanges((0..4).map(exchange).collect());
        }
    }
    built.end();
    built
}

/// Reads a damaged journal and holds it against the whole one: every frame whose bytes `are_whole` must come, once, and
/// nothing else; so many bytes at least and so many at most may be told as lost.
fn judge(built: &Built, bad: &[u8], are_whole: &dyn Fn(&[u8]) -> bool, case: &str) {
    let whole: Vec<&Option<Frame>> = built
        .frames
        .iter()
        .filter(|(place, _)| are_whole(&built.bytes[place.clone()]))
        .map(|(_, frame)| frame)
        .collect();
    let head = whole.iter().any(|frame| frame.is_none());
    let (frames, cut) = match read(bad) {
        Ok(read) => read,
        Err(why) => return assert!(!head, "{case}: {why}"),
    };
    assert!(head, "{case}: a head out of nothing");
    assert!(cut.is_some() || *bad == built.bytes[..bad.len()], "{case}: silent");
    let mut wanted: Vec<&Frame> = whole.into_iter().flatten().collect();
    assert_eq!(frames.len(), wanted.len(), "{case}");
    for frame in &frames {
        // They nearly always come in their order.
        let at = wanted.iter().position(|wanted| *wanted == frame);
        wanted.remove(at.unwrap_or_else(|| panic!("{case}: {frame:?} was not recorded")));
    }
}

/// Damage that moves nothing: a frame is whole when its bytes are as they were.
fn judge_in_place(built: &Built, bad: &[u8], case: &str) {
    let start = built.bytes.as_ptr() as usize;
    let same = |frame: &[u8]| {
        let at = frame.as_ptr() as usize - start;
        bad.get(at..at + frame.len()) == Some(frame)
    };
    judge(built, bad, &same, case);
}

/// Damage that moves bytes: a frame is whole when its bytes are anywhere.
fn judge_anywhere(built: &Built, bad: &[u8], case: &str) {
    judge(built, bad, &|frame| bad.windows(frame.len()).any(|window| window == frame), case);
}

fn flip(bytes: &mut [u8], bit: usize) {
    bytes[bit / 8] ^= 1 << (bit % 8);
}

/// Flips single bits and pairs of them.
fn flips(singles: usize, pairs: usize) {
    let built = journal();
    let bits = built.bytes.len() * 8;
    let mut dice = Pcg64::seed_from_u64(5);
    let mut bad = built.bytes.clone();
    for case in 0..singles {
        let bit = dice.random_range(0..bits);
        flip(&mut bad, bit);
        let place = built.frames.iter().map(|(place, _)| place).find(|place| place.contains(&(bit / 8)));
        let (frames, cut) = read(&bad).unwrap_or_else(|why| panic!("flip {case} of bit {bit}: {why}"));
        let outside = built.frames.iter().filter(|(other, _)| Some(other) != place);
        assert!(
            frames.iter().eq(outside.filter_map(|(_, frame)| frame.as_ref())),
            "flip {case} of bit {bit}"
        );
        let lost = place.map_or(HEADER, |place| place.len());
        let told = cut.map(|cut| (cut.places, cut.bytes));
        assert_eq!(told, Some((1, lost as u64)), "flip {case} of bit {bit}");
        flip(&mut bad, bit);
    }
    for case in 0..pairs {
        let near = dice.random_range(0..2) == 0;
        let first = dice.random_range(0..bits);
        let second =
            if near { (first + dice.random_range(1..64)) % bits } else { dice.random_range(0..bits) };
        if first == second {
            continue;
        }
        flip(&mut bad, first);
        flip(&mut bad, second);
        judge_in_place(&built, &bad, &format!("pair {case}: {first}, {second}"));
        flip(&mut bad, first);
        flip(&mut bad, second);
    }
    println!(
        "{singles} flipped bits and {pairs} pairs in a journal of {} bytes: none silent",
        built.bytes.len()
    );
}

#[test]
fn what_lies_outside_a_flipped_bit_comes_back() {
    let (singles, pairs) = if in_full() { (100_000, 20_000) } else { (3_000, 1_000) };
    flips(singles, pairs);
}

/// The sizes in which a disk loses things.
const BLOCKS: [usize; 3] = [512, 1_024, 4_096];

#[test]
fn what_lies_outside_a_block_of_zeros_comes_back() {
    let built = journal();
    for block in BLOCKS {
        for start in (0..built.bytes.len()).step_by(block) {
            for value in [0, 0xff] {
                let mut bad = built.bytes.clone();
                let end = (start + block).min(bad.len());
                bad[start..end].fill(value);
                judge_in_place(&built, &bad, &format!("{block} bytes of {value} at {start}"));
            }
        }
    }
}

#[test]
fn a_journal_cut_anywhere_gives_what_is_whole() {
    let built = journal();
    let mut dice = Pcg64::seed_from_u64(7);
    for _ in 0..500 {
        let length = dice.random_range(0..built.bytes.len());
        judge_in_place(&built, &built.bytes[..length], &format!("cut at {length}"));
    }
}

#[test]
fn blocks_that_are_copied_swapped_put_in_or_taken_out_cost_their_own_frames_alone() {
    let built = journal();
    let mut dice = Pcg64::seed_from_u64(11);
    for case in 0..60 {
        let block = BLOCKS[case % BLOCKS.len()];
        let blocks = built.bytes.len() / block;
        let [from, to] = [0, 1].map(|_| dice.random_range(0..blocks) * block);
        let (source, good) = (built.bytes[from..from + block].to_vec(), &built.bytes);
        let mut swapped = good.clone();
        swapped.copy_within(to..to + block, from);
        swapped[to..to + block].copy_from_slice(&source);
        let mut copied = good.clone();
        copied[to..to + block].copy_from_slice(&source);
        let put_in = [&good[..to], &source[..], &good[to..]].concat();
        let taken_out = [&good[..from], &good[from + block..]].concat();
        for (what, bad) in
            [("swapped", swapped), ("copied", copied), ("put in", put_in), ("taken out", taken_out)]
        {
            judge_anywhere(&built, &bad, &format!("case {case}: {block} bytes of {from} {what} at {to}"));
        }
    }
}
