//! Damage in every file of a session: it is always told, nothing is invented, and what lies outside the damaged page is
//! had.

use std::collections::BTreeMap;
use std::fs;

use model::{Ending, Event, EventEnvelope, Exchange, GapReason, Moment, Quality, Sample, Span};
use proptest::prelude::*;

use super::*;
use crate::archive::Archive;
use crate::layout::{EVENTS, SAMPLES};
use crate::row::Row;
use crate::testing::{event, gap, head, in_full, read_back, sample, wrap};

/// A session with more pages than columns: readings on and off their line, gaps, uncertainties that change, a stranger.
fn rows(count: i64) -> Vec<Row> {
    let row = |i: i64| {
        let channel = if i % 3 == 0 { "volts" } else { "rpm" };
        if i % 997 == 0 {
            return Row::Gap(gap(channel, i * 1_000_000, GapReason::ALL[i as usize % 5]));
        }
        let mut sample = sample(channel, i * 1_000_000, 30 + i * 31 % 17);
        if i % 1_013 == 0 {
            sample.value += 0.125;
        }
        if i % 501 == 0 {
            sample = Sample { quality: Quality::Saturated, ..sample };
        }
        sample.time_uncertainty = Span(400_000 + i * 7_919 % 97_000);
        Row::Sample(sample)
    };
    (0..count).map(row).collect()
}

fn events() -> Vec<EventEnvelope> {
    let anchor = Event::Anchor { utc_nanos: 77, uncertainty: Span(10), source: "system".into() };
    let mut events = vec![wrap("s1", 1, 2_000, anchor)];
    events.extend(
        (2..200).map(|seq| event("s1", seq, seq as i64 * 40_000_000, &"x".repeat(seq as usize % 50))),
    );
    events
}

struct Made {
    _folder: tempfile::TempDir,
    path: PathBuf,
    /// Rows by channel and time, as they are read back.
    rows: BTreeMap<(String, Moment), Row>,
    events: Vec<EventEnvelope>,
}

fn made(count: i64) -> Made {
    let folder = tempfile::tempdir().unwrap();
    let (archive, _) = Archive::open(folder.path()).unwrap();
    let mut writer = archive.begin(head("s1")).unwrap();
    let rows = rows(count);
    for row in &rows {
        match row {
            Row::Sample(sample) => writer.sample(sample),
            Row::Gap(gap) => writer.gap(gap),
        }
    }
    let events = events();
    events.iter().for_each(|event| writer.event(event));
    let path = writer.close(Ending::Passed).unwrap().path;
    let rows = read_back(&rows).into_iter().map(|row| ((row.channel().to_string(), row.at()), row)).collect();
    Made { _folder: folder, path, rows, events }
}

/// What is had of the session as it lies there now.
fn salvaged(path: &Path) -> (Vec<Row>, Vec<EventEnvelope>, Vec<Damage>) {
    let wreck = Wreck::open(path).unwrap();
    let (mut rows, mut told) = (Vec::new(), Vec::new());
    let mut damages = wreck.damages.clone();
    damages.extend(
        samples::read(&wreck, |group, _| {
            rows.extend(group);
            Ok(())
        })
        .unwrap(),
    );
    damages.extend(
        events::read(&wreck, |(event, _)| {
            told.push(event);
            Ok(())
        })
        .unwrap(),
    );
    (rows, told, damages)
}

/// Checks what was had against what was recorded: every row that is there is right, and no more are missing than
/// were told.
fn check(made: &Made, case: &str) -> Vec<Damage> {
    let (rows, told, damages) = salvaged(&made.path);
    assert!(!damages.is_empty(), "{case}: it is silent");
    for row in &rows {
        let true_row = made.rows.get(&(row.channel().to_string(), row.at()));
        match (row, true_row) {
            (Row::Sample(had), Some(Row::Sample(real))) => {
                let unknown = had.value.is_nan() && had.quality == Quality::Invalid;
                assert_eq!(had.raw, real.raw, "{case}");
                assert!(had.value == real.value || unknown, "{case}: {had:?} {real:?}");
                assert!(had.time_uncertainty >= real.time_uncertainty, "{case}");
                assert!(had.quality == real.quality || had.quality == Quality::Invalid, "{case}");
            }
            // A gap whose quality page is gone has nothing to say that it is one, and no count either.
            (Row::Gap(had), Some(Row::Gap(real))) => {
                assert_eq!(had.why, real.why, "{case}");
                assert!(had.half >= real.half, "{case}");
            }
            other => panic!("{case}: {other:?}"),
        }
    }
    let lost: u64 = damages.iter().map(|d| d.lost).sum();
    let all = made.rows.len() + made.events.len();
    assert!(
        rows.len() + told.len() + lost as usize >= all,
        "{case}: {} and {} of {all}, {damages:?}",
        rows.len(),
        told.len()
    );
    assert!(told.iter().all(|event| made.events.contains(event)), "{case}");
    damages
}

fn flip(path: &Path, bit: usize) -> Vec<u8> {
    let good = fs::read(path).unwrap();
    let mut bad = good.clone();
    bad[bit / 8] ^= 1 << (bit % 8);
    fs::write(path, bad).unwrap();
    good
}

#[test]
fn a_whole_session_has_no_damage() {
    let made = made(3_000);
    assert_eq!(inspect(&made.path).unwrap(), []);
    let (rows, events, _) = salvaged(&made.path);
    assert_eq!((rows.len(), events), (made.rows.len(), made.events.clone()));
    for row in rows {
        assert_eq!(made.rows[&(row.channel().to_string(), row.at())], row);
    }
}

#[test]
fn the_map_of_a_table_covers_it_to_the_last_byte() {
    let made = made(30_000);
    let path = made.path.join(SPARE);
    let spare = Spare::from_bytes(&fs::read(&path).unwrap(), &path).unwrap();
    for table in &spare.tables {
        let file = fs::read(made.path.join(&table.name)).unwrap();
        assert_eq!(file[table.tail_at() as usize..], table.tail, "{}", table.name);
        assert!(table.tail.ends_with(b"PAR1"));
    }
    assert!(spare.table(SAMPLES).unwrap().pages.len() > 20);
}

#[test]
fn no_flipped_bit_is_silent_and_all_outside_its_page_is_had() {
    flip_bits(if in_full() { 20_000 } else { 300 });
}

fn flip_bits(flips: usize) {
    let made = made(24_000);
    let mut random =
        proptest::test_runner::TestRng::deterministic_rng(proptest::test_runner::RngAlgorithm::ChaCha);
    let (mut lost, mut worst) = (0, 0);
    let names = [SAMPLES, EVENTS, SPARE, CARD];
    for n in 0..flips {
        let path = made.path.join(names[if n % 4 < 2 { 0 } else { n / 4 % 4 }]);
        let bits = fs::metadata(&path).unwrap().len() as usize * 8;
        let bit = (random.next_u64() as usize) % bits;
        let case = format!("bit {bit} of {}", path.display());
        let good = flip(&path, bit);
        // A changed space between two tokens of the card changes nothing that is said.
        let harmless = path.ends_with(CARD) && Wreck::open(&made.path).unwrap().damages.is_empty();
        if !harmless {
            let damages = check(&made, &case);
            let gone: u64 = damages.iter().map(|d| d.lost).sum();
            lost += gone;
            worst = worst.max(gone);
        }
        fs::write(&path, good).unwrap();
    }
    println!("{flips} flipped bits: none silent, {lost} rows lost in all, {worst} at most by one");
    assert!(worst <= 8 << 10, "more than a page is lost");
}

#[test]
fn a_rescued_session_holds_what_was_had_and_tells_the_damage() {
    let made = made(24_000);
    let path = made.path.join(SAMPLES);
    let spare = fs::read(made.path.join(SPARE)).unwrap();
    let map = Spare::from_bytes(&spare, &path).unwrap().tables.remove(0);
    // The pages of two columns of one value come first, each with its dictionary; then those of the times.
    let before: u64 = map.pages[..4].iter().map(|(length, _)| u64::from(*length)).sum();
    let good = flip(&path, 8 * (crate::spare::FIRST_PAGE + before + 100) as usize);
    let (rows, _, damages) = salvaged(&made.path);
    assert!(rows.len() < made.rows.len());
    let (archive, _) = Archive::open(made._folder.path()).unwrap();
    let rescued = archive.rescue(&made.path).unwrap();
    assert_eq!(rescued.damages, damages);
    let session = crate::read_session(&rescued.path).unwrap();
    let back: Vec<Row> = session.rows().unwrap().map(Result::unwrap).collect();
    assert_eq!(back.len(), rows.len());
    assert!(back.is_sorted_by_key(Row::at));
    assert_eq!(session.head().tags[RESCUED_FROM], "s1");
    assert_eq!(session.card.ending, Some(Ending::Passed));
    let told = session.events.iter().filter(|e| matches!(&e.event, Event::Problem { .. })).count();
    assert_eq!(told, damages.len());
    assert!(archive.rescue(&made.path).unwrap_err().seen.contains("already"));
    assert_ne!(fs::read(&path).unwrap(), good, "the damaged one stays as it is");
}

#[test]
fn a_table_cut_anywhere_gives_what_lies_before_the_cut() {
    let made = made(30_000);
    for name in [SAMPLES, EVENTS] {
        let path = made.path.join(name);
        let good = fs::read(&path).unwrap();
        for cut in (0..good.len()).step_by(good.len() / 7) {
            fs::write(&path, &good[..cut]).unwrap();
            check(&made, &format!("{name} cut at {cut}"));
        }
        fs::remove_file(&path).unwrap();
        let damages = check(&made, &format!("{name} gone"));
        assert!(damages[0].what.contains("gone"), "{damages:?}");
        fs::write(&path, good).unwrap();
    }
}

#[test]
fn a_trace_of_the_wire_is_looked_at_too() {
    let folder = tempfile::tempdir().unwrap();
    let (archive, _) = Archive::open(folder.path()).unwrap();
    let path = archive.begin(head("s1")).unwrap().close(Ending::Passed).unwrap().path;
    assert_eq!(inspect(&path).unwrap(), []);
    let wreck = Wreck::open(&path).unwrap();
    let none = wire::read(&wreck, |exchange: Exchange| panic!("{exchange:?}")).unwrap();
    assert_eq!(none, []);
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 64, ..ProptestConfig::default() })]
    #[test]
    fn no_bytes_for_a_spare_panic(bytes: Vec<u8>) {
        let path = Path::new("spare");
        prop_assert!(Spare::from_bytes(&bytes, path).is_err());
        let mut sealed = b"HGS\x1a\x01\0".to_vec();
        sealed.extend_from_slice(&crc32fast::hash(&bytes).to_le_bytes());
        sealed.extend_from_slice(&bytes);
        prop_assert!(Spare::from_bytes(&sealed, path).is_err());
    }
}
