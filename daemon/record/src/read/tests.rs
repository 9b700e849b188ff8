//! Sessions written and read back, and what damage does to them.

use std::collections::BTreeMap;
use std::fs;

use arrow::datatypes::Int32Type;
use model::{Ending, Event, GapReason, Quality, Sample, Span};
use parquet::arrow::arrow_reader::{ParquetRecordBatchReader, ParquetRecordBatchReaderBuilder};
use parquet::file::metadata::KeyValue;
use proptest::prelude::*;

use super::*;
use crate::archive::Archive;
use crate::journal::sample_tests::{any_sample, same};
use crate::row::Row;
use crate::testing::{STARTED, event, gap, head, read_back, sample, wrap};

fn record(samples: &[Sample], events: &[EventEnvelope]) -> (tempfile::TempDir, PathBuf) {
    let folder = tempfile::tempdir().unwrap();
    let (archive, _) = Archive::open(folder.path()).unwrap();
    let mut writer = archive.begin(head("s1")).unwrap();
    samples.iter().for_each(|s| writer.sample(s));
    events.iter().for_each(|e| writer.event(e));
    let path = writer.close(Ending::Passed).unwrap().path;
    (folder, path)
}

fn read(path: &Path) -> Vec<Sample> {
    read_session(path).unwrap().samples().unwrap().map(Result::unwrap).collect()
}

/// Samples as they are read back.
fn kept(samples: &[Sample]) -> Vec<Sample> {
    let rows: Vec<Row> = samples.iter().cloned().map(Row::Sample).collect();
    read_back(&rows).into_iter().filter_map(Row::into_sample).collect()
}

fn open_table(path: &Path) -> Result<ParquetRecordBatchReader, String> {
    let file = File::open(path).map_err(|e| e.to_string())?;
    ParquetRecordBatchReaderBuilder::try_new(file).and_then(|b| b.build()).map_err(|e| e.to_string())
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 32, ..ProptestConfig::default() })]
    /// Not-a-number keeps its bits too.
    #[test]
    fn any_samples_come_back_bit_for_bit(samples in proptest::collection::vec(any_sample(), 0..60)) {
        let (_folder, path) = record(&samples, &[]);
        let back = read(&path);
        prop_assert_eq!(back.len(), samples.len());
        for (a, b) in kept(&samples).iter().zip(&back) {
            prop_assert!(same(a, b), "{a:?} {b:?}");
        }
    }
}

#[test]
fn numbers_of_events_come_back_to_the_last_bit() {
    let unit = model::Unit::new("Cel").unwrap();
    let numbers =
        (0..2_000u64).map(|i| f64::from_bits(0x3ff0_0000_0000_0000 + i.wrapping_mul(0x0000_1234_5678_9abd)));
    let events: Vec<EventEnvelope> = numbers
        .zip(1..)
        .map(|(n, seq)| {
            let estimate = model::Estimate { value: n, low: n - 0.1, high: n + 0.1, unit: unit.clone() };
            let value = model::event::NoteValue::Estimate(estimate);
            wrap("s1", seq, seq as i64, Event::Noted { key: "k".into(), value })
        })
        .collect();
    let (_folder, path) = record(&[], &events);
    assert_eq!(read_session(&path).unwrap().events, events);
}

#[test]
fn more_rows_than_one_stretch_holds_come_back_in_the_order_of_time_and_stay_small() {
    let samples: Vec<Sample> = (0..300_000)
        .map(|i| Sample {
            time_uncertainty: Span(400_000 + i * 7_919 % 1_000),
            ..sample(
                if i % 3 == 0 { "volts" } else { "rpm" },
                i * 10_000_000 + i * 7_919 % 1_000,
                30 + i * 31 % 7,
            )
        })
        .collect();
    let (_folder, path) = record(&samples, &[]);
    assert!(read(&path) == kept(&samples));
    let builder = ParquetRecordBatchReaderBuilder::try_new(File::open(path.join(SAMPLES)).unwrap()).unwrap();
    assert_eq!(builder.metadata().num_row_groups(), 4, "two stretches of two channels");
    let bytes = fs::metadata(path.join(SAMPLES)).unwrap().len();
    assert!(bytes < 300_000 * 4, "{} bytes a sample", bytes as f64 / 300_000.0);
}

#[test]
fn the_table_names_its_units_its_session_and_its_anchors() {
    let anchor = Event::Anchor { utc_nanos: STARTED + 5_000, uncertainty: Span(10), source: "system".into() };
    let (_folder, path) =
        record(&[sample("rpm", 100, 34), sample("rpm", 4_000, 34)], &[wrap("s1", 1, 2_000, anchor)]);
    let builder = ParquetRecordBatchReaderBuilder::try_new(File::open(path.join(SAMPLES)).unwrap()).unwrap();
    let file = builder.metadata().file_metadata().clone();
    assert_eq!(file.created_by(), Some("holdgate record 2"));
    let keys: BTreeMap<String, String> = file
        .key_value_metadata()
        .unwrap()
        .iter()
        .map(|KeyValue { key, value }| (key.clone(), value.clone().unwrap()))
        .collect();
    assert_eq!(keys["holdgate.units"], r#"{"rpm":"{rev}/min","volts":"V"}"#);
    assert_eq!(keys["holdgate.resolution"], r#"{"rpm":25.0,"volts":0.02}"#);
    assert_eq!((&*keys["holdgate.session"], &*keys["holdgate.car"]), ("s1", "bench-car"));
    let anchors =
        format!(r#"[{{"at_ns":2000,"source":"system","uncertainty_ns":10,"utc_ns":{}}}]"#, STARTED + 5_000);
    assert_eq!(keys["holdgate.anchors"], anchors);
    assert_eq!((&*keys["holdgate.slices"], &*keys["holdgate.tick_ns"]), ("[1]", "10000"));
    let events = open_table(&path.join(EVENTS)).unwrap().next().unwrap().unwrap();
    let utc =
        events.column_by_name("utc").unwrap().as_primitive::<arrow::datatypes::TimestampNanosecondType>();
    assert_eq!(utc.values()[..], [STARTED + 5_000]);
}

#[test]
fn events_carry_their_kind_and_the_step_they_happened_in() {
    let step = |id: &str| model::StepId::new(id).unwrap();
    let told = [
        Event::Remark { text: "before".into() },
        Event::StepStarted { step: step("warm"), title: "Warm up".into() },
        Event::Remark { text: "within".into() },
        Event::StepEnded { step: step("warm"), ending: Ending::Passed },
        Event::StepSkipped { step: step("cold"), reason: "no time".into() },
        Event::Remark { text: "after".into() },
    ];
    let events: Vec<EventEnvelope> =
        told.into_iter().zip(1..).map(|(e, seq)| wrap("s1", seq, 5, e)).collect();
    let (_folder, path) = record(&[], &events);
    assert_eq!(read_session(&path).unwrap().events, events);
    let mut batches = open_table(&path.join(EVENTS)).unwrap();
    let batch = batches.next().unwrap().unwrap();
    let words = |name: &str| -> Vec<Option<String>> {
        let column = batch.column_by_name(name).unwrap();
        let text = column.as_dictionary::<Int32Type>().downcast_dict::<arrow::array::StringArray>().unwrap();
        text.into_iter().map(|t| t.map(str::to_owned)).collect()
    };
    let [warm, cold] = ["warm", "cold"].map(|s| Some(s.to_owned()));
    assert_eq!(words("step"), [None, warm.clone(), warm.clone(), warm, cold, None]);
    assert_eq!(words("kind")[1].as_deref(), Some("step_started"));
}

/// Every page ends with a byte of its body, so that a flip there is caught by nothing but its checksum.
#[test]
fn every_page_has_a_checksum() {
    let samples: Vec<Sample> = (0..5_000).map(|i| sample("rpm", i * 10_007, i % 9)).collect();
    let events: Vec<EventEnvelope> = (0..50).map(|i| event("s1", i + 1, i as i64, "x")).collect();
    let (folder, path) = record(&samples, &events);
    for name in [SAMPLES, EVENTS] {
        let good = fs::read(path.join(name)).unwrap();
        let builder = ParquetRecordBatchReaderBuilder::try_new(File::open(path.join(name)).unwrap()).unwrap();
        let mut ends = Vec::new();
        for column in builder.metadata().row_group(0).columns() {
            let (start, length) = column.byte_range();
            if column.dictionary_page_offset().is_some() {
                ends.push(column.data_page_offset() as u64);
            }
            ends.push(start + length);
        }
        assert!(ends.len() > 8 || name == EVENTS);
        for end in ends {
            let mut bad = good.clone();
            bad[end as usize - 1] ^= 0x10;
            let copy = folder.path().join("copy.parquet");
            fs::write(&copy, bad).unwrap();
            let error =
                open_table(&copy).unwrap().find_map(Result::err).expect("a flipped bit is not read as good");
            assert!(error.to_string().contains("CRC"), "{name} {end}: {error}");
        }
    }
}

#[test]
fn a_session_with_a_flipped_bit_anywhere_is_refused() {
    let (_folder, path) = record(&[sample("rpm", 1, 34)], &[event("s1", 1, 2, "x")]);
    for name in [SAMPLES, EVENTS] {
        let good = fs::read(path.join(name)).unwrap();
        for bit in (0..good.len() * 8).step_by(61) {
            let mut bad = good.clone();
            bad[bit / 8] ^= 1 << (bit % 8);
            fs::write(path.join(name), bad).unwrap();
            let problem = read_session(&path).unwrap_err();
            assert!(problem.seen.contains("digest"), "{problem}");
        }
        fs::write(path.join(name), good).unwrap();
    }
    assert_eq!(read_session(&path).unwrap().events.len(), 1);
    fs::remove_file(path.join(EVENTS)).unwrap();
    assert!(read_session(&path).unwrap_err().cure.contains("exists"));
}

#[test]
fn a_gap_is_a_row_of_its_own_with_its_reason_and_without_numbers() {
    let rows: Vec<Row> = GapReason::ALL
        .into_iter()
        .zip(1..)
        .flat_map(|(why, i)| {
            [Row::Sample(sample("rpm", i * 1_000_000, 34)), Row::Gap(gap("volts", i * 1_000_000, why))]
        })
        .collect();
    let folder = tempfile::tempdir().unwrap();
    let (archive, _) = Archive::open(folder.path()).unwrap();
    let mut writer = archive.begin(head("s1")).unwrap();
    for row in &rows {
        match row {
            Row::Sample(sample) => writer.sample(sample),
            Row::Gap(gap) => writer.gap(gap),
        }
    }
    let path = writer.close(Ending::Passed).unwrap().path;
    let session = read_session(&path).unwrap();
    assert_eq!((session.card.samples, session.card.gaps), (5, 5));
    let back: Vec<Row> = session.rows().unwrap().map(Result::unwrap).collect();
    assert_eq!(back, read_back(&rows));
    assert_eq!(read(&path).len(), 5, "a gap is no reading");
    let batch = open_table(&path.join(SAMPLES)).unwrap().next().unwrap().unwrap();
    for name in ["raw", "value", "noise", "resolution", "shared"] {
        assert_eq!(batch.column_by_name(name).unwrap().null_count(), 5, "{name}");
    }
}

#[test]
fn a_channel_that_the_head_does_not_name_is_recorded_all_the_same() {
    let stranger = Sample {
        channel: ChannelId::new("stranger").unwrap(),
        quality: Quality::Invalid,
        value: f64::INFINITY,
        ..sample("rpm", 9, -5)
    };
    let samples = [sample("rpm", 1, 34), stranger, sample("volts", 10, 600)];
    let (_folder, path) = record(&samples, &[]);
    assert_eq!(read(&path), kept(&samples));
}
