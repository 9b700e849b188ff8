//! Which part of a session is exported, and everything that is refused.

use super::*;

fn session() -> (tempfile::TempDir, Session) {
    let rows: Vec<Row> = (0..=50).map(|i| reading("rpm", i * 10, i)).collect();
    session_of(&rows, &step_events())
}

fn times(session: &Session, options: &ExportOptions) -> Vec<f64> {
    let lines = lines(session, options);
    lines[1..].iter().map(|line| line.split(',').next().unwrap().parse().unwrap()).collect()
}

#[test]
fn a_step_is_exported_every_time_it_was_gone_through() {
    let (_folder, session) = session();
    let of = |step: &str, from, to| {
        let step = Some(step.to_owned());
        ExportOptions { step, from, to, ..options(wide(50, Fill::Last)) }
    };
    assert_eq!(times(&session, &of("warm", None, None)), [0.1, 0.15, 0.4, 0.45, 0.5]);
    assert_eq!(times(&session, &of("screw", None, None)), [0.3, 0.35]);
    let from = Some(When::Seconds(0.16));
    assert_eq!(times(&session, &of("warm", from, Some(When::Seconds(0.42)))), [0.16, 0.4]);
    let long = ExportOptions { step: Some("screw".into()), ..options(Shape::Long) };
    assert_eq!(times(&session, &long), [0.3, 0.31, 0.32, 0.33, 0.34, 0.35]);
}

#[test]
fn a_range_in_utc_is_that_of_the_anchors_and_the_corrected_date() {
    let anchor = |seq, ms: i64, shift_ms: i64| {
        let utc_nanos = STARTED + (ms + shift_ms) * MS;
        wrap("s1", seq, ms * MS, Event::Anchor { utc_nanos, uncertainty: Span(1), source: "system".into() })
    };
    let rows: Vec<Row> = (0..=10).map(|i| reading("rpm", i * 100, i)).collect();
    let (_folder, session) = session_of(&rows, &[anchor(1, 450, 5_000)]);
    let notes = Notes { date_correction_ns: -86_400_000_000_000, ..Notes::default() };
    let utc = |text: &str| Some(When::Utc(crate::utc_of(text).unwrap().0));
    let options = ExportOptions {
        from: utc("2026-11-24T08:00:00.3Z"),
        to: utc("2026-11-24T08:00:05.6Z"),
        time: TimeColumn::Utc,
        ..options(Shape::Long)
    };
    let (bytes, _) = bytes(&session, &notes, &options, &Form::Csv(CsvForm::default()));
    let text = String::from_utf8(bytes).unwrap();
    let utc: Vec<&str> = text.lines().skip(1).map(|line| line.split(',').next().unwrap()).collect();
    assert_eq!(
        utc,
        [
            "2026-11-24T08:00:00.300000Z",
            "2026-11-24T08:00:00.400000Z",
            "2026-11-24T08:00:05.500000Z",
            "2026-11-24T08:00:05.600000Z"
        ]
    );
}

#[test]
fn every_mistake_is_told_at_once_with_its_cure() {
    let (_folder, session) = session();
    let wrong = ExportOptions {
        channels: vec!["rmp".into(), "rpm".into(), "rpm".into(), "zzzzzz".into()],
        step: Some("wram".into()),
        units: vec![
            ("rpm".into(), "V".into()),
            ("volts".into(), "mV".into()),
            ("rpm".into(), "furlong".into()),
        ],
        ..options(Shape::Wide {
            every: Every::SampleOf("vots".into()),
            fill: Fill::Last,
            max_age: Span::ZERO,
        })
    };
    let told: Vec<String> = refused(&session, &wrong).iter().map(ToString::to_string).collect();
    let all = told.join("\n");
    for part in [
        "no channel 'rmp' (did you mean 'rpm'?)",
        "named twice",
        "no channel 'zzzzzz' (it has rpm, volts)",
        "a step 'wram' (did you mean 'warm'?)",
        "choose a unit of the same kind",
        "'volts' is not exported",
        "'furlong' is not a known UCUM unit",
        "no channel 'vots' (did you mean 'volts'?)",
        "--max-age",
    ] {
        assert!(all.contains(part), "{part} is missing in:\n{all}");
    }
}

#[test]
fn an_empty_range_a_skipped_step_and_an_absurd_grid_are_refused() {
    let (_folder, session) = session();
    let long = || options(Shape::Long);
    let s = |seconds| Some(When::Seconds(seconds));
    let far = Some(When::Utc(0));
    for (wrong, part) in [
        (ExportOptions { from: s(0.2), to: s(0.1), ..long() }, "nothing lies between"),
        (ExportOptions { from: s(0.6), ..long() }, "the session holds 0 to 0.500 s"),
        (ExportOptions { to: s(-1.0), ..long() }, "nothing was recorded in that time"),
        (ExportOptions { to: far, ..long() }, "nothing"),
        (ExportOptions { step: Some("cold".into()), ..long() }, "was skipped: no time"),
        (ExportOptions { step: Some("screw".into()), from: s(0.4), ..long() }, "does not lie between"),
        (ExportOptions { step: Some("../x".into()), ..long() }, "it went through screw, warm"),
        (options(Shape::Wide { every: Every::Time(Span(1)), fill: Fill::Last, max_age: Span(1) }), "finer"),
        (options(Shape::Wide { every: Every::Time(Span(-5)), fill: Fill::Last, max_age: Span(1) }), "finer"),
        (
            options(Shape::Wide { every: Every::Time(Span(MS)), fill: Fill::Linear, max_age: Span::MAX }),
            "too much to hold",
        ),
    ] {
        let told: Vec<String> = refused(&session, &wrong).iter().map(ToString::to_string).collect();
        assert!(told.iter().any(|line| line.contains(part)), "{part} is missing in {told:?}");
        assert!(refused(&session, &wrong).iter().all(|problem| !problem.cure.is_empty()));
    }
    let (_other, empty) = session_of(&[], &[]);
    assert!(refused(&empty, &long())[0].seen.contains("nothing was recorded"));
    // Two days apart: too many rows.
    let apart = [reading("rpm", 0, 1), reading("rpm", 2 * 86_400_000, 1)];
    let (_third, long) = session_of(&apart, &[]);
    let grid = Shape::Wide { every: Every::Time(Span(MS / 10)), fill: Fill::Last, max_age: Span(MS) };
    assert!(refused(&long, &options(grid))[0].seen.contains("makes 1728000001 rows"));
}

#[test]
fn units_are_converted_and_the_digits_follow() {
    let (_folder, session) = session_of(&[reading("volts", 0, 607), reading("rpm", 0, 34)], &[]);
    let in_units = ExportOptions {
        channels: vec!["volts".into(), "rpm".into()],
        units: vec![("volts".into(), "kV".into()), ("rpm".into(), "Hz".into())],
        ..options(wide(100, Fill::Last))
    };
    // 607 counts of 0.02 V; 850 a minute are 14.17 a second, and one count is 25/60.
    assert_eq!(lines(&session, &in_units), ["time [s],volts [kV],rpm [Hz]", "0.0,0.01214,14.2"]);
}
