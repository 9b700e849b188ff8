//! Exports of small sessions, read back; and the three rules against the slow and plain way of computing them.

mod rules;
mod wanted;

use std::io::Write;
use std::sync::{Arc, Mutex};

use arrow::array::{Array, AsArray};
use arrow::datatypes::{Float64Type, Int64Type, TimestampNanosecondType};
use model::{Ending, Event, EventEnvelope, GapReason, Sample, Span};
use parquet::arrow::arrow_reader::ParquetRecordBatchReaderBuilder;

use super::*;
use crate::archive::Archive;
use crate::read::read_session;
use crate::testing::{STARTED, event, gap, head, sample, wrap};

const MS: i64 = 1_000_000;

/// What was written.
#[derive(Clone, Default)]
struct Paper(Arc<Mutex<Vec<u8>>>);

impl Write for Paper {
    fn write(&mut self, bytes: &[u8]) -> std::io::Result<usize> {
        self.0.lock().unwrap().extend_from_slice(bytes);
        Ok(bytes.len())
    }

    fn flush(&mut self) -> std::io::Result<()> {
        Ok(())
    }
}

fn session_of(rows: &[Row], events: &[EventEnvelope]) -> (tempfile::TempDir, Session) {
    let folder = tempfile::tempdir().unwrap();
    let (archive, _) = Archive::open(folder.path()).unwrap();
    let mut writer = archive.begin(head("s1")).unwrap();
    for row in rows {
        match row {
            Row::Sample(sample) => writer.sample(sample),
            Row::Gap(gap) => writer.gap(gap),
        }
    }
    events.iter().for_each(|event| writer.event(event));
    let path = writer.close(Ending::Passed).unwrap().path;
    let session = read_session(&path).unwrap();
    (folder, session)
}

fn reading(channel: &str, ms: i64, raw: i64) -> Row {
    Row::Sample(sample(channel, ms * MS, raw))
}

fn options(shape: Shape) -> ExportOptions {
    ExportOptions {
        channels: Vec::new(),
        shape,
        step: None,
        from: None,
        to: None,
        units: Vec::new(),
        time: TimeColumn::Seconds,
    }
}

fn wide(ms: i64, fill: Fill) -> Shape {
    Shape::Wide { every: Every::Time(Span(ms * MS)), fill, max_age: Span::from_secs(10) }
}

fn bytes(session: &Session, notes: &Notes, options: &ExportOptions, form: &Form) -> (Vec<u8>, Exported) {
    let paper = Paper::default();
    let export = Export::plan(session, notes, options).unwrap_or_else(|p| panic!("{p:?}"));
    let exported = export.write(form, Box::new(paper.clone())).unwrap();
    let bytes = paper.0.lock().unwrap().clone();
    (bytes, exported)
}

fn text(session: &Session, options: &ExportOptions, form: CsvForm) -> String {
    let (bytes, _) = bytes(session, &Notes::default(), options, &Form::Csv(form));
    String::from_utf8(bytes).unwrap()
}

/// The lines of a CSV, without their ends.
fn lines(session: &Session, options: &ExportOptions) -> Vec<String> {
    text(session, options, CsvForm::default()).split_terminator("\r\n").map(String::from).collect()
}

fn refused(session: &Session, options: &ExportOptions) -> Vec<Problem> {
    Export::plan(session, &Notes::default(), options).map(drop).unwrap_err()
}

#[test]
fn rows_as_recorded_read_back_as_they_were() {
    let rows: Vec<Row> = (0..500)
        .map(|i| match i % 7 {
            6 => Row::Gap(gap("volts", i * 3 * MS, GapReason::ALL[(i % 5) as usize])),
            n if n % 2 == 0 => reading("rpm", i * 3, 30 + i % 11),
            _ => Row::Sample(Sample {
                quality: model::Quality::Saturated,
                ..sample("volts", i * 3 * MS, 600 + i % 13)
            }),
        })
        .collect();
    let (_folder, session) = session_of(&rows, &[]);
    let form = CsvForm { digits: Digits::All, ..CsvForm::default() };
    let text = text(&session, &options(Shape::Long), form);
    assert!(
        !text.replace("\r\n", "").contains(['\r', '\n']),
        "lines end as RFC 4180, 2 has them (from memory)"
    );
    let mut reader = csv::Reader::from_reader(text.as_bytes());
    let header: Vec<String> = reader.headers().unwrap().iter().map(String::from).collect();
    let at = |name: &str| header.iter().position(|title| title == name).unwrap();
    let records: Vec<csv::StringRecord> = reader.records().map(Result::unwrap).collect();
    assert_eq!(records.len(), rows.len());
    for (record, row) in records.iter().zip(&rows) {
        let cell = |name: &str| record[at(name)].to_string();
        let since = row.at().0 - rows[0].at().0;
        assert_eq!(cell("time [s]").parse::<f64>().unwrap(), since as f64 / 1e9);
        assert_eq!(cell("channel"), row.channel().as_str());
        assert_eq!(cell("quality"), as_csv::word(row));
        let numbers = ["raw", "value", "noise", "resolution", "shared"].map(cell);
        match row {
            Row::Gap(_) => assert_eq!(numbers, [""; 5]),
            Row::Sample(s) => {
                let u = &s.uncertainty;
                let read = numbers.map(|text| text.parse::<f64>().unwrap());
                assert_eq!(read, [s.raw as f64, s.value, u.noise, u.resolution, u.shared]);
            }
        }
    }
}

#[test]
fn a_grid_has_a_header_with_units_and_no_more_digits_than_the_resolution_carries() {
    let rows = [
        reading("rpm", 0, 34),
        reading("volts", 50, 607),
        reading("rpm", 100, 35),
        reading("volts", 150, 608),
    ];
    let (_folder, session) = session_of(&rows, &[]);
    let expected = "time [s],rpm [{rev}/min],volts [V]\r\n\
                    0.00,850,\r\n0.05,850,12.14\r\n0.10,875,12.14\r\n0.15,875,12.16\r\n";
    let options = options(wide(50, Fill::Last));
    assert_eq!(text(&session, &options, CsvForm::default()), expected);
    let comma = CsvForm { separator: b';', decimal_comma: true, digits: Digits::Places(3) };
    let expected = "time [s];rpm [{rev}/min];volts [V]\r\n\
                    0,00;850,000;\r\n0,05;850,000;12,140\r\n0,10;875,000;12,140\r\n0,15;875,000;12,160\r\n";
    assert_eq!(text(&session, &options, comma), expected);
}

#[test]
fn parquet_holds_the_same_as_csv_with_its_units() {
    let rows: Vec<Row> = (0..20_000)
        .map(|i| if i % 3 == 0 { reading("volts", i, 600 + i % 17) } else { reading("rpm", i, 30 + i % 19) })
        .collect();
    let (_folder, session) = session_of(&rows, &[]);
    let options = ExportOptions {
        units: vec![("volts".into(), "mV".into())],
        time: TimeColumn::Utc,
        ..options(wide(1, Fill::Linear))
    };
    let notes = Notes { date_correction_ns: 3_600_000_000_000, ..Notes::default() };
    let (file, exported) = bytes(&session, &notes, &options, &Form::Parquet);
    assert_eq!(exported.rows, 20_000);
    let path = session.path.join("copy.parquet");
    std::fs::write(&path, file).unwrap();
    let builder = ParquetRecordBatchReaderBuilder::try_new(std::fs::File::open(&path).unwrap()).unwrap();
    let about = builder.metadata().file_metadata().key_value_metadata().unwrap().clone();
    let units = about.iter().find(|pair| pair.key == "holdgate.units").unwrap();
    assert_eq!(units.value.as_deref(), Some(r#"{"rpm":"{rev}/min","volts":"mV"}"#));
    let form = Form::Csv(CsvForm { digits: Digits::All, ..CsvForm::default() });
    let (csv, _) = bytes(&session, &notes, &options, &form);
    let mut reader = csv::Reader::from_reader(csv.as_slice());
    let mut records = reader.records().map(Result::unwrap);
    let mut count = 0;
    for batch in builder.build().unwrap() {
        let batch = batch.unwrap();
        let utc = batch.column_by_name("utc").unwrap().as_primitive::<TimestampNanosecondType>();
        let numbers =
            ["rpm", "volts"].map(|n| batch.column_by_name(n).unwrap().as_primitive::<Float64Type>());
        for i in 0..batch.num_rows() {
            let record = records.next().unwrap();
            assert_eq!(utc.value(i), STARTED + 3_600_000_000_000 + count * MS);
            assert_eq!(crate::utc_of(&record[0]).unwrap().0, utc.value(i));
            for (cell, array) in [(&record[1], numbers[0]), (&record[2], numbers[1])] {
                assert_eq!(array.is_valid(i).then(|| array.value(i)), cell.parse().ok());
            }
            count += 1;
        }
    }
    assert!(records.next().is_none());
}

#[test]
fn rows_as_recorded_go_into_parquet_too() {
    let rows = [
        reading("rpm", 0, 34),
        Row::Gap(gap("volts", 5 * MS, GapReason::NoAnswer)),
        reading("volts", 9, 600),
    ];
    let (_folder, session) = session_of(&rows, &[]);
    let (file, exported) = bytes(&session, &Notes::default(), &options(Shape::Long), &Form::Parquet);
    assert_eq!(exported.rows, 3);
    let path = session.path.join("copy.parquet");
    std::fs::write(&path, file).unwrap();
    let builder = ParquetRecordBatchReaderBuilder::try_new(std::fs::File::open(&path).unwrap()).unwrap();
    let batch = builder.build().unwrap().next().unwrap().unwrap();
    let raw = batch.column_by_name("raw").unwrap().as_primitive::<Int64Type>();
    assert_eq!(raw.iter().collect::<Vec<_>>(), [Some(34), None, Some(600)]);
    let quality = batch.column_by_name("quality").unwrap().as_string::<i32>();
    assert_eq!(quality.iter().flatten().collect::<Vec<_>>(), ["good", "no_answer", "good"]);
    let seconds = batch.column_by_name("time_s").unwrap().as_primitive::<Float64Type>();
    assert_eq!(seconds.values()[..], [0.0, 0.005, 0.009]);
}

#[test]
fn channels_that_the_description_does_not_name_are_counted_and_lie_in_the_long_shape() {
    let stranger = Sample { channel: ChannelId::new("stranger").unwrap(), ..sample("rpm", 2 * MS, 7) };
    let rows = [reading("rpm", 0, 34), Row::Sample(stranger), reading("rpm", 9, 34)];
    let (_folder, session) = session_of(&rows, &[]);
    let form = Form::Csv(CsvForm::default());
    let (_, exported) = bytes(&session, &Notes::default(), &options(wide(1, Fill::Last)), &form);
    assert_eq!(
        exported.unnamed.into_iter().map(|(c, n)| (c.to_string(), n)).collect::<Vec<_>>(),
        [("stranger".into(), 1)]
    );
    let long = lines(&session, &options(Shape::Long));
    assert!(long[2].contains(",stranger,,7,175,"), "{long:?}");
}

#[test]
fn a_writer_that_refuses_is_a_problem() {
    struct Full;
    impl Write for Full {
        fn write(&mut self, _: &[u8]) -> std::io::Result<usize> {
            Err(std::io::ErrorKind::StorageFull.into())
        }

        fn flush(&mut self) -> std::io::Result<()> {
            Ok(())
        }
    }
    let rows: Vec<Row> = (0..50_000).map(|i| reading("rpm", i, 30)).collect();
    let (_folder, session) = session_of(&rows, &[]);
    for shape in [Shape::Long, wide(1, Fill::Last)] {
        let options = options(shape);
        let export = Export::plan(&session, &Notes::default(), &options).unwrap();
        for form in [Form::Csv(CsvForm::default()), Form::Parquet] {
            let problem = export.write(&form, Box::new(Full)).unwrap_err();
            assert!(problem.seen.contains("cannot be written"), "{problem}");
        }
    }
}

fn step_events() -> Vec<EventEnvelope> {
    let step = |id: &str| model::StepId::new(id).unwrap();
    let told = [
        (100, Event::StepStarted { step: step("warm"), title: "Warm up".into() }),
        (199, Event::StepEnded { step: step("warm"), ending: Ending::Passed }),
        (200, Event::StepSkipped { step: step("cold"), reason: "no time".into() }),
        (300, Event::StepStarted { step: step("screw"), title: "Screw".into() }),
        (350, Event::StepEnded { step: step("screw"), ending: Ending::Passed }),
        (400, Event::StepStarted { step: step("warm"), title: "Warm up".into() }),
    ];
    told.into_iter().zip(1..).map(|((ms, e), seq)| wrap("s1", seq, ms * MS, e)).collect()
}

#[test]
fn a_first_or_last_reading_that_is_kept_to_the_nearest_step_is_not_left_out() {
    for (first, last) in [(1_234_567, 9_876_543), (1_239_999, 9_870_001), (7, 12)] {
        let rows = [Row::Sample(sample("rpm", first, 1)), Row::Sample(sample("rpm", last, 2))];
        let (_folder, session) = session_of(&rows, &[]);
        assert_eq!(lines(&session, &options(Shape::Long)).len(), 3, "{first} {last}");
        let every = Every::SampleOf("rpm".into());
        let grid = Shape::Wide { every, fill: Fill::Last, max_age: Span(MS) };
        assert_eq!(lines(&session, &options(grid)).len(), 3, "{first} {last}");
    }
}

#[test]
fn the_event_of_a_test_is_recorded() {
    let (_folder, session) = session_of(&[], &[event("s1", 1, 5, "x")]);
    assert_eq!(
        lines(&session, &options(wide(100, Fill::Last))),
        ["time [s],rpm [{rev}/min],volts [V]", "0.0,,"]
    );
}
