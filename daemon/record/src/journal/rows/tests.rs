//! Any rows, to the bit and back.

use model::{ChannelId, Gap, GapReason, Moment, Quality, Sample, Span, Uncertainty};
use proptest::prelude::*;

use super::*;
use crate::head::ChannelHead;
use crate::journal::MOST_ROWS;
use crate::row::Row;
use crate::testing::{gap, head, sample};
use crate::tick::Tick;

/// Any number by its bits: every not-a-number, infinities, minus zero, denormals.
fn any_number() -> impl Strategy<Value = f64> {
    prop_oneof![
        any::<u64>().prop_map(f64::from_bits),
        Just(0.0),
        Just(f64::NAN),
        (0..4000i32).prop_map(f64::from)
    ]
}

fn any_time() -> impl Strategy<Value = i64> {
    prop_oneof![any::<i64>(), 0..1_000_000_000i64, Just(i64::MIN), Just(i64::MAX)]
}

fn any_channel() -> impl Strategy<Value = ChannelId> {
    (0..3usize).prop_map(|c| ChannelId::new(["rpm", "volts", "stranger"][c]).unwrap())
}

/// Any reading, with its times as they are kept.
pub(crate) fn any_sample() -> impl Strategy<Value = Sample> {
    let numbers = [any_number(), any_number(), any_number(), any_number()];
    (any_channel(), any_time(), any_time(), any::<i64>(), numbers, 0..4usize).prop_map(
        |(channel, at, half, raw, n, quality)| {
            let (at, time_uncertainty) = Tick::rounded(Moment(at), Span(half));
            Sample {
                channel,
                at,
                time_uncertainty,
                raw,
                value: n[0],
                uncertainty: Uncertainty { noise: n[1], resolution: n[2], shared: n[3] },
                quality: QUALITIES[quality],
            }
        },
    )
}

/// What nearly all readings are: of a few times, good, on their line.
fn usual_sample() -> impl Strategy<Value = Sample> {
    let raw = prop_oneof![8 => -9..9i64, 1 => any::<i64>()];
    (0..2usize, 0..3i64, 0..2i64, raw).prop_map(|(channel, at, half, raw)| Sample {
        time_uncertainty: Span(400_000 + half * 10_000),
        ..sample(["rpm", "volts"][channel], at * 20_000_000, raw)
    })
}

fn any_gap() -> impl Strategy<Value = Row> {
    (any_channel(), any_time(), any_time(), 0..5usize).prop_map(|(channel, at, half, why)| {
        let (at, half) = Tick::rounded(Moment(at), Span(half));
        Row::Gap(Gap { channel, at, half, why: GapReason::ALL[why] })
    })
}

/// Equality by bits, because not-a-number equals nothing.
pub(crate) fn same(a: &Sample, b: &Sample) -> bool {
    a.value.to_bits() == b.value.to_bits()
        && bits(a) == bits(b)
        && (&a.channel, a.at, a.time_uncertainty, a.raw, a.quality)
            == (&b.channel, b.at, b.time_uncertainty, b.raw, b.quality)
}

fn same_row(a: &Row, b: &Row) -> bool {
    match (a, b) {
        (Row::Sample(a), Row::Sample(b)) => same(a, b),
        (a, b) => a == b,
    }
}

/// The payload of the rows.
pub(crate) fn payload(writer: &mut RowWriter, rows: &[Row]) -> Vec<u8> {
    for row in rows {
        match row {
            Row::Sample(sample) => writer.sample(sample),
            Row::Gap(gap) => writer.gap(gap),
        }
    }
    assert_eq!(writer.rows(), rows.len());
    let mut payload = Vec::new();
    writer.take(|bytes| payload.extend_from_slice(bytes));
    payload
}

proptest! {
    #[test]
    fn any_rows_come_back_bit_for_bit_and_every_frame_stands_alone(
        frames in proptest::collection::vec(
            proptest::collection::vec(
                prop_oneof![
                    2 => any_sample().prop_map(Row::Sample),
                    6 => usual_sample().prop_map(Row::Sample),
                    1 => any_gap(),
                ],
                1..60,
            ),
            1..4,
        )
    ) {
        let mut writer = RowWriter::new(&head("s"));
        for rows in &frames {
            let payload = payload(&mut writer, rows);
            let read = decode(&head("s"), &payload).unwrap();
            prop_assert_eq!(read.len(), rows.len());
            for (a, b) in rows.iter().zip(&read) {
                prop_assert!(same_row(a, b), "{a:?} {b:?}");
            }
        }
    }

    #[test]
    fn no_bytes_panic(bytes: Vec<u8>) {
        decode(&head("s"), &bytes);
    }

    /// Bytes that nearly are rows reach further into the reader than any bytes do.
    #[test]
    fn no_change_of_a_byte_panics(rows in proptest::collection::vec(usual_sample(), 1..40), at: prop::sample::Index, to: u8) {
        let rows: Vec<Row> = rows.into_iter().map(Row::Sample).collect();
        let mut payload = payload(&mut RowWriter::new(&head("s")), &rows);
        let at = at.index(payload.len());
        payload[at] = to;
        decode(&head("s"), &payload);
    }
}

#[test]
fn times_are_kept_to_the_tick_and_cover_the_true_ones() {
    let given = Sample { time_uncertainty: Span(399_999), ..sample("rpm", 20_004_999, 34) };
    let payload = payload(&mut RowWriter::new(&head("s")), &[Row::Sample(given.clone())]);
    let kept = Sample { at: Moment(20_000_000), time_uncertainty: Span(410_000), ..given };
    assert_eq!(decode(&head("s"), &payload), Some(vec![Row::Sample(kept)]));
}

/// More sets than a frame holds: every row of channels in another order.
#[test]
fn rows_that_find_no_set_are_kept_all_the_same() {
    let mut head = head("s");
    let like = head.channels[0].clone();
    head.channels = (0..24).map(|i| ChannelHead { id: id(i), ..like.clone() }).collect();
    let rows: Vec<Row> = (0..600)
        .flat_map(|row| {
            let members = (0..3).map(move |i| (row * (i + 1) + i * 7) % 24);
            let mut members: Vec<i64> = members.collect();
            members.dedup();
            members.into_iter().map(move |m| {
                Row::Sample(Sample { channel: id(m), ..sample("rpm", row * 20_000_000, row % 5 + m) })
            })
        })
        .collect();
    let payload = payload(&mut RowWriter::new(&head), &rows);
    assert_eq!(decode(&head, &payload), Some(rows));
}

fn id(n: i64) -> ChannelId {
    ChannelId::new(&format!("channel-{n}")).unwrap()
}

#[test]
fn a_frame_that_claims_more_rows_than_it_may_is_refused() {
    // A set of one channel, then a row of it in three bytes as often as it goes.
    let row = |i: i64| Row::Sample(sample("rpm", i * 20_000_000, 34));
    let rows: Vec<Row> = (0..MOST_ROWS as i64).map(row).collect();
    let mut payload = payload(&mut RowWriter::new(&head("s")), &rows);
    assert_eq!(decode(&head("s"), &payload).map(|rows| rows.len()), Some(MOST_ROWS));
    payload.extend_from_slice(&[SET_ROW, 0, 0]);
    assert_eq!(decode(&head("s"), &payload), None);
}

#[test]
fn a_gap_and_a_stranger_need_no_other_frame() {
    let stranger = Sample {
        channel: ChannelId::new("stranger").unwrap(),
        quality: Quality::Invalid,
        value: f64::INFINITY,
        ..sample("rpm", 90_000, -5)
    };
    let mut writer = RowWriter::new(&head("s"));
    for rows in [
        vec![Row::Sample(stranger.clone()), Row::Gap(gap("volts", 100_000, GapReason::Lost))],
        vec![Row::Gap(gap("other", 0, GapReason::NoAnswer)), Row::Sample(stranger)],
    ] {
        let payload = payload(&mut writer, &rows);
        assert_eq!(decode(&head("s"), &payload), Some(rows));
    }
}
