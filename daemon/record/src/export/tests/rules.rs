//! The three rules: worked by hand, and against the plain way of computing them.

use model::{Moment, Quality};
use proptest::prelude::*;

use super::*;

/// Cells of one channel, in the order of the grid.
fn cells(session: &Session, options: &ExportOptions, column: usize) -> Vec<Option<f64>> {
    let form = CsvForm { digits: Digits::All, ..CsvForm::default() };
    let text = text(session, options, form);
    text.lines().skip(1).map(|line| line.split(',').nth(column + 1).unwrap().parse().ok()).collect()
}

fn with_age(ms: i64, fill: Fill, age_ms: i64) -> ExportOptions {
    options(Shape::Wide { every: Every::Time(Span(ms * MS)), fill, max_age: Span(age_ms * MS) })
}

#[test]
fn the_last_value_stands_until_it_is_too_old_or_a_gap_comes() {
    let rows = [
        reading("rpm", 0, 1),
        reading("rpm", 20, 2),
        Row::Gap(gap("rpm", 50 * MS, GapReason::NoAnswer)),
        reading("rpm", 70, 3),
        Row::Sample(Sample { quality: Quality::Implausible, ..sample("rpm", 90 * MS, 4) }),
        reading("rpm", 100, 5),
        reading("volts", 150, 600),
    ];
    let (_folder, session) = session_of(&rows, &[]);
    let [one, two, three, five] = [1, 2, 3, 5].map(|raw| Some(f64::from(raw) * 25.0));
    assert_eq!(
        cells(&session, &with_age(10, Fill::Last, 30), 0),
        [one, one, two, two, two, None, None, three, three, None, five, five, five, five, None, None]
    );
}

#[test]
fn a_line_is_drawn_between_good_neighbours_only() {
    let rows = [
        reading("rpm", 0, 0),
        reading("rpm", 40, 4),
        reading("rpm", 60, 10),
        Row::Gap(gap("rpm", 70 * MS, GapReason::Damaged)),
        reading("rpm", 80, 20),
        reading("volts", 85, 600),
        reading("rpm", 180, 30),
    ];
    let (_folder, session) = session_of(&rows, &[]);
    let wanted = [0, 1, 2, 3, 4, 7, 10].map(|raw| Some(f64::from(raw) * 25.0));
    let mut wanted = wanted.to_vec();
    wanted.extend([None, Some(500.0)]);
    wanted.extend([None; 9]);
    wanted.push(Some(750.0));
    assert_eq!(cells(&session, &with_age(10, Fill::Linear, 50), 0), wanted);
    let far = cells(&session, &with_age(10, Fill::Linear, 100), 0);
    assert_eq!(far[9], Some(525.0), "two readings that lie no further apart than the greatest age");
}

#[test]
fn without_filling_each_reading_belongs_to_the_row_nearest_to_it() {
    let rows = [
        reading("rpm", 0, 1),
        reading("rpm", 4, 2),
        reading("rpm", 12, 3),
        reading("rpm", 15, 4),
        reading("rpm", 19, 5),
        reading("rpm", 21, 6),
        reading("rpm", 45, 7),
        reading("volts", 60, 600),
    ];
    let (_folder, session) = session_of(&rows, &[]);
    // 0: the reading at 0; 10: that at 12; 20: of 19 and 21, equally near, the earlier; 30: none; 40: none, for the
    // one in the very middle belongs to 50.
    let wanted = [Some(25.0), Some(75.0), Some(125.0), None, None, Some(175.0), None];
    assert_eq!(cells(&session, &with_age(10, Fill::None, 1_000), 0), wanted);
}

#[test]
fn a_grid_of_a_channels_readings_has_a_row_for_each() {
    let rows = [
        reading("volts", 3, 599),
        reading("rpm", 10, 1),
        reading("volts", 14, 600),
        Row::Gap(gap("rpm", 20 * MS, GapReason::NoAnswer)),
        reading("volts", 24, 601),
        reading("rpm", 30, 2),
        reading("rpm", 32, 3),
        reading("volts", 100, 602),
    ];
    let (_folder, session) = session_of(&rows, &[]);
    let grid = |fill| {
        let every = Every::SampleOf("rpm".into());
        options(Shape::Wide { every, fill, max_age: Span(20 * MS) })
    };
    let of = |fill, column| cells(&session, &grid(fill), column);
    assert_eq!(of(Fill::Last, 0), [Some(25.0), Some(50.0), Some(75.0)]);
    assert_eq!(of(Fill::Last, 1), [Some(11.98), Some(12.02), Some(12.02)]);
    assert_eq!(of(Fill::None, 1), [Some(12.0), Some(12.02), None]);
    let linear = of(Fill::Linear, 1);
    assert!((linear[0].unwrap() - (11.98 + 0.02 * 7.0 / 11.0)).abs() < 1e-12, "{linear:?}");
    assert_eq!(linear[1..], [None, None], "too far apart");
    let lines = lines(&session, &grid(Fill::Last));
    assert!(lines[1].starts_with("0.007000,"), "{lines:?}");
}

/// A channel's rows: when, and what, where it was a good reading.
type Course = Vec<(i64, Option<f64>)>;

/// The value at a moment by the words of each rule, looking at all readings every time.
fn plainly(
    course: &Course,
    grid: &[i64],
    at: usize,
    fill: Fill,
    max_age: i64,
    step: Option<i64>,
) -> Option<f64> {
    let g = grid[at];
    let before = course.iter().rev().find(|(t, _)| *t <= g);
    match fill {
        Fill::Last => before.filter(|(t, _)| g - t <= max_age).and_then(|(_, v)| *v),
        Fill::Linear => {
            let (t0, v0) = *before?;
            if t0 == g {
                return v0;
            }
            let (t1, v1) = *course.iter().find(|(t, _)| *t >= g)?;
            let (v0, v1) = (v0?, v1?);
            (t1 - t0 <= max_age).then(|| v0 + (v1 - v0) * ((g - t0) as f64 / (t1 - t0) as f64))
        }
        Fill::None => {
            let back = at.checked_sub(1).map(|i| g - grid[i]);
            let on = grid.get(at + 1).map(|next| next - g);
            let left = step.or(back).or(on).unwrap_or(0);
            let right = step.or(on).or(back).unwrap_or(0);
            let within = |t: i64| {
                let near = if t <= g { 2 * (g - t) <= left } else { 2 * (t - g) < right };
                near && (t - g).abs() <= max_age
            };
            let good = course.iter().filter_map(|(t, v)| Some((*t, (*v)?))).filter(|(t, _)| within(*t));
            good.min_by_key(|(t, _)| ((t - g).abs(), *t)).map(|(_, v)| v)
        }
    }
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 64, ..ProptestConfig::default() })]
    #[test]
    fn streaming_gives_what_the_rules_say(
        rows in proptest::collection::vec((1i64..40, 0u8..8, 0i64..50), 1..80),
        step in 1i64..60,
        max_age in 1i64..200,
        by_channel: bool,
    ) {
        let mut at = 0;
        let mut all = Vec::new();
        let mut courses: [Course; 2] = [Vec::new(), Vec::new()];
        for (wait, kind, raw) in rows {
            at += wait;
            let column = usize::from(kind >= 4);
            let name = ["rpm", "volts"][column];
            let s = sample(name, at * MS, raw);
            let row = match kind % 4 {
                0 => Row::Gap(gap(name, at * MS, GapReason::NoAnswer)),
                1 => Row::Sample(Sample { quality: Quality::Saturated, ..s }),
                _ => Row::Sample(s),
            };
            let good = match &row {
                Row::Sample(s) => s.quality.usable().then_some(s.value),
                Row::Gap(_) => None,
            };
            courses[column].push((at, good));
            all.push(row);
        }
        let (_folder, session) = session_of(&all, &[]);
        let (first, last) = (all[0].at().0 / MS, at);
        let read = |row: &&Row| matches!(row, Row::Sample(_)) && row.channel().as_str() == "rpm";
        let grid: Vec<i64> = if by_channel {
            all.iter().filter(read).map(|row| row.at().0 / MS).collect()
        } else {
            (first..=last).step_by(step as usize).collect()
        };
        let every = if by_channel { Every::SampleOf("rpm".into()) } else { Every::Time(Span(step * MS)) };
        for fill in [Fill::Last, Fill::Linear, Fill::None] {
            let shape = Shape::Wide { every: every.clone(), fill, max_age: Span(max_age * MS) };
            for (column, course) in courses.iter().enumerate() {
                let step = (!by_channel).then_some(step);
                let wanted: Vec<_> =
                    (0..grid.len()).map(|i| plainly(course, &grid, i, fill, max_age, step)).collect();
                let got = cells(&session, &options(shape.clone()), column);
                prop_assert_eq!(got.len(), wanted.len());
                for (i, (got, wanted)) in got.iter().zip(&wanted).enumerate() {
                    let same = match (got, wanted) {
                        (Some(a), Some(b)) => (a - b).abs() <= 1e-9 * b.abs().max(1.0),
                        (a, b) => a == b,
                    };
                    prop_assert!(same, "{fill:?} column {column} at {}: {got:?}, not {wanted:?}", grid[i]);
                }
            }
        }
    }
}

/// Rows wait for readings that may still come, never longer than the greatest age.
#[test]
fn what_waits_is_bounded_by_the_greatest_age() {
    use crate::export::fill::{Filler, Linear};
    let mut filler = Linear::new(2, Span(100 * MS));
    filler.reading(1, Moment::ZERO, Some(1.0));
    let (mut waiting, mut most) = (0_i64, 0);
    for ms in 0..10_000 {
        filler.point(Moment(ms * MS));
        waiting += 1;
        while filler.ready(Moment(ms * MS)).is_some() {
            waiting -= 1;
        }
        filler.reading(0, Moment(ms * MS), Some(ms as f64));
        most = most.max(waiting);
    }
    assert!((95..=105).contains(&most), "{most}");
    filler.end();
    while filler.ready(Moment::NEVER).is_some() {
        waiting -= 1;
    }
    assert_eq!(waiting, 0);
}

#[test]
fn the_last_row_of_a_range_is_on_the_line_to_what_lies_behind_it() {
    let rows = [reading("rpm", 5, 1), reading("rpm", 15, 3), reading("rpm", 25, 5), reading("rpm", 35, 9)];
    let (_folder, session) = session_of(&rows, &[]);
    let until = |ms: i64| ExportOptions {
        to: Some(When::Seconds(ms as f64 / 1e3)),
        ..with_age(5, Fill::Linear, 1_000)
    };
    // From the first reading: rows at 0, 5, 10 and 15 ms, on the line between counts 1, 3 and 5 of 25 each.
    assert_eq!(cells(&session, &until(15), 0), [Some(25.0), Some(50.0), Some(75.0), Some(100.0)]);
}
