//! Samples as small differences to the sample before.
//!
//! A sample is: channel number (varint) · flags · time since the sample before (signed varint, ns) · count
//! minus the channel's last count (signed varint) · and, where the flags say so, the change of the time
//! uncertainty (signed varint, ns), the three uncertainties (3 × 8 bytes) and the value (8 bytes). A value that
//! is exactly count × factor + offset of the channel's head, or equal to the last, costs nothing. Numbers are
//! compared and kept by their bits, so not-a-number, infinities and minus zero come back as they were.
//!
//! A gap has its own flag and the reason in the lower bits; after the time come half of its length less the channel's last
//! time uncertainty (signed varint, ns), and nothing of the channel's other numbers changes.

use std::collections::BTreeMap;

use model::{ChannelId, Gap, GapReason, Moment, Quality, Sample, Span, Uncertainty};

use super::varint;
use crate::head::SessionHead;
use crate::row::Row;

const NEW_TIME_UNCERTAINTY: u8 = 1 << 2;
const NEW_UNCERTAINTY: u8 = 1 << 3;
const VALUE_ON_LINE: u8 = 0 << 4;
const VALUE_AS_BEFORE: u8 = 1 << 4;
const VALUE_IN_FULL: u8 = 2 << 4;
const VALUE_BITS: u8 = 3 << 4;
const GAP: u8 = 1 << 6;
const UNUSED_BITS: u8 = 1 << 7;

const QUALITIES: [Quality; 4] = [Quality::Good, Quality::Implausible, Quality::Saturated, Quality::Invalid];

struct Channel {
    id: ChannelId,
    line: Option<(f64, f64)>,
    raw: i64,
    value: u64,
    time_uncertainty: i64,
    uncertainty: [u64; 3],
}

impl Channel {
    fn on_line(&self, raw: i64) -> Option<u64> {
        self.line.map(|(factor, offset)| (raw as f64 * factor + offset).to_bits())
    }
}

/// What both ends of a journal remember from sample to sample.
#[derive(Default)]
pub(crate) struct Codec {
    channels: Vec<Channel>,
    numbers: BTreeMap<ChannelId, usize>,
    at: i64,
}

impl Codec {
    pub(crate) fn new(head: &SessionHead) -> Self {
        let mut codec = Self::default();
        for channel in &head.channels {
            let line = Some((channel.factor, channel.offset));
            let uncertainty = [channel.noise, channel.resolution, channel.shared].map(f64::to_bits);
            codec.push(channel.id.clone(), line, uncertainty);
        }
        codec
    }

    fn push(&mut self, id: ChannelId, line: Option<(f64, f64)>, uncertainty: [u64; 3]) {
        self.numbers.entry(id.clone()).or_insert(self.channels.len());
        self.channels.push(Channel { id, line, raw: 0, value: 0, time_uncertainty: 0, uncertainty });
    }

    /// Whether the channel has a number.
    pub(crate) fn knows(&self, id: &ChannelId) -> bool {
        self.numbers.contains_key(id)
    }

    /// Gives the next number to a channel that the head does not name.
    pub(crate) fn add(&mut self, id: ChannelId) {
        self.push(id, None, [0; 3]);
    }

    /// Appends a sample; `false`, and nothing done, when its channel has no number.
    pub(crate) fn encode(&mut self, sample: &Sample, out: &mut Vec<u8>) -> bool {
        let Some(&number) = self.numbers.get(&sample.channel) else { return false };
        let channel = &mut self.channels[number];
        let value = sample.value.to_bits();
        let uncertainty = bits(&sample.uncertainty);
        let value_flag = if channel.on_line(sample.raw) == Some(value) {
            VALUE_ON_LINE
        } else if channel.value == value {
            VALUE_AS_BEFORE
        } else {
            VALUE_IN_FULL
        };
        let mut flags = quality_bits(sample.quality) | value_flag;
        if sample.time_uncertainty.0 != channel.time_uncertainty {
            flags |= NEW_TIME_UNCERTAINTY;
        }
        if uncertainty != channel.uncertainty {
            flags |= NEW_UNCERTAINTY;
        }

        varint::put(out, number as u64);
        out.push(flags);
        varint::put_signed(out, sample.at.0.wrapping_sub(self.at));
        varint::put_signed(out, sample.raw.wrapping_sub(channel.raw));
        if flags & NEW_TIME_UNCERTAINTY != 0 {
            varint::put_signed(out, sample.time_uncertainty.0.wrapping_sub(channel.time_uncertainty));
        }
        if flags & NEW_UNCERTAINTY != 0 {
            uncertainty.iter().for_each(|n| out.extend_from_slice(&n.to_le_bytes()));
        }
        if value_flag == VALUE_IN_FULL {
            out.extend_from_slice(&value.to_le_bytes());
        }

        self.at = sample.at.0;
        channel.raw = sample.raw;
        channel.value = value;
        channel.time_uncertainty = sample.time_uncertainty.0;
        channel.uncertainty = uncertainty;
        true
    }

    /// Appends a gap; `false`, and nothing done, when its channel has no number.
    pub(crate) fn encode_gap(&mut self, gap: &Gap, out: &mut Vec<u8>) -> bool {
        let Some(&number) = self.numbers.get(&gap.channel) else { return false };
        let channel = &mut self.channels[number];
        varint::put(out, number as u64);
        out.push(GAP | reason_bits(gap.why));
        varint::put_signed(out, gap.at.0.wrapping_sub(self.at));
        varint::put_signed(out, gap.half.0.wrapping_sub(channel.time_uncertainty));
        self.at = gap.at.0;
        true
    }

    /// Takes a row off the front; `None` when the bytes are not one.
    pub(crate) fn decode(&mut self, bytes: &mut &[u8]) -> Option<Row> {
        let number = usize::try_from(varint::take(bytes)?).ok()?;
        let channel = self.channels.get_mut(number)?;
        let (&flags, rest) = bytes.split_first()?;
        *bytes = rest;
        if flags & UNUSED_BITS != 0 {
            return None;
        }
        self.at = self.at.wrapping_add(varint::take_signed(bytes)?);
        if flags & GAP != 0 {
            let why = *REASONS.get(usize::from(flags & !GAP))?;
            let half = Span(channel.time_uncertainty.wrapping_add(varint::take_signed(bytes)?));
            return Some(Row::Gap(Gap { channel: channel.id.clone(), at: Moment(self.at), half, why }));
        }
        channel.raw = channel.raw.wrapping_add(varint::take_signed(bytes)?);
        if flags & NEW_TIME_UNCERTAINTY != 0 {
            channel.time_uncertainty = channel.time_uncertainty.wrapping_add(varint::take_signed(bytes)?);
        }
        if flags & NEW_UNCERTAINTY != 0 {
            for n in &mut channel.uncertainty {
                *n = take_bits(bytes)?;
            }
        }
        channel.value = match flags & VALUE_BITS {
            VALUE_ON_LINE => channel.on_line(channel.raw)?,
            VALUE_AS_BEFORE => channel.value,
            VALUE_IN_FULL => take_bits(bytes)?,
            _ => return None,
        };
        let [noise, resolution, shared] = channel.uncertainty.map(f64::from_bits);
        Some(Row::Sample(Sample {
            channel: channel.id.clone(),
            at: Moment(self.at),
            time_uncertainty: Span(channel.time_uncertainty),
            raw: channel.raw,
            value: f64::from_bits(channel.value),
            uncertainty: Uncertainty { noise, resolution, shared },
            quality: QUALITIES[usize::from(flags & 3)],
        }))
    }

    /// Reads a whole sample frame: how many, then each, then nothing more.
    pub(crate) fn decode_batch(&mut self, mut payload: &[u8]) -> Option<Vec<Row>> {
        let count = varint::take(&mut payload)?;
        let mut rows = Vec::new();
        for _ in 0..count {
            rows.push(self.decode(&mut payload)?);
        }
        payload.is_empty().then_some(rows)
    }
}

/// A sample frame's payload from its samples' bytes.
pub(crate) fn batch(count: u64, body: &[u8]) -> Vec<u8> {
    let mut payload = Vec::with_capacity(body.len() + 4);
    varint::put(&mut payload, count);
    payload.extend_from_slice(body);
    payload
}

fn bits(uncertainty: &Uncertainty) -> [u64; 3] {
    [uncertainty.noise, uncertainty.resolution, uncertainty.shared].map(f64::to_bits)
}

fn take_bits(bytes: &mut &[u8]) -> Option<u64> {
    let (eight, rest) = bytes.split_first_chunk::<8>()?;
    *bytes = rest;
    Some(u64::from_le_bytes(*eight))
}

fn quality_bits(quality: Quality) -> u8 {
    match quality {
        Quality::Good => 0,
        Quality::Implausible => 1,
        Quality::Saturated => 2,
        Quality::Invalid => 3,
    }
}

const REASONS: [GapReason; 5] = GapReason::ALL;

fn reason_bits(why: GapReason) -> u8 {
    match why {
        GapReason::NoAnswer => 0,
        GapReason::Damaged => 1,
        GapReason::Refused => 2,
        GapReason::LinkDown => 3,
        GapReason::Lost => 4,
    }
}

#[cfg(test)]
pub(crate) mod tests {
    use super::*;
    use crate::testing::head;
    use proptest::prelude::*;

    /// Any number by its bits: every not-a-number, infinities, minus zero, denormals.
    fn any_number() -> impl Strategy<Value = f64> {
        prop_oneof![
            any::<u64>().prop_map(f64::from_bits),
            Just(0.0),
            Just(f64::NAN),
            (0..4000i32).prop_map(f64::from)
        ]
    }

    pub(crate) fn any_sample() -> impl Strategy<Value = Sample> {
        let times = prop_oneof![any::<i64>(), 0..1_000_000i64, Just(i64::MIN), Just(i64::MAX)];
        let numbers = [any_number(), any_number(), any_number(), any_number()];
        (0..3usize, times.clone(), times.clone(), times, numbers, 0..4usize).prop_map(
            |(c, at, tu, raw, n, q)| Sample {
                channel: ChannelId::new(["rpm", "volts", "stranger"][c]).unwrap(),
                at: Moment(at),
                time_uncertainty: Span(tu),
                raw,
                value: n[0],
                uncertainty: Uncertainty { noise: n[1], resolution: n[2], shared: n[3] },
                quality: QUALITIES[q],
            },
        )
    }

    /// Equality by bits, because not-a-number equals nothing.
    pub(crate) fn same(a: &Sample, b: &Sample) -> bool {
        a.value.to_bits() == b.value.to_bits()
            && bits(&a.uncertainty) == bits(&b.uncertainty)
            && (&a.channel, a.at, a.time_uncertainty, a.raw, a.quality)
                == (&b.channel, b.at, b.time_uncertainty, b.raw, b.quality)
    }

    /// A reading, or now and then a gap.
    pub(crate) fn any_row() -> impl Strategy<Value = Row> {
        let gap = (0..3usize, any::<i64>(), any::<i64>(), 0..5usize).prop_map(|(c, at, half, why)| {
            Row::Gap(Gap {
                channel: ChannelId::new(["rpm", "volts", "stranger"][c]).unwrap(),
                at: Moment(at),
                half: Span(half),
                why: GapReason::ALL[why],
            })
        });
        prop_oneof![4 => any_sample().prop_map(Row::Sample), 1 => gap]
    }

    fn same_row(a: &Row, b: &Row) -> bool {
        match (a, b) {
            (Row::Sample(a), Row::Sample(b)) => same(a, b),
            (a, b) => a == b,
        }
    }

    proptest! {
        #[test]
        fn any_rows_come_back_bit_for_bit(rows in proptest::collection::vec(any_row(), 0..40)) {
            let (mut there, mut back) = (Codec::new(&head("s")), Codec::new(&head("s")));
            let stranger = ChannelId::new("stranger").unwrap();
            there.add(stranger.clone());
            back.add(stranger);
            let mut body = Vec::new();
            for row in &rows {
                let known = match row {
                    Row::Sample(sample) => there.encode(sample, &mut body),
                    Row::Gap(gap) => there.encode_gap(gap, &mut body),
                };
                prop_assert!(known);
            }
            let read = back.decode_batch(&batch(rows.len() as u64, &body)).unwrap();
            prop_assert_eq!(read.len(), rows.len());
            for (a, b) in rows.iter().zip(&read) {
                prop_assert!(same_row(a, b), "{a:?} {b:?}");
            }
        }

        #[test]
        fn no_bytes_panic(bytes: Vec<u8>) {
            Codec::new(&head("s")).decode_batch(&bytes);
        }
    }

    #[test]
    fn a_steady_channel_costs_few_bytes() {
        let mut codec = Codec::new(&head("s"));
        let mut body = Vec::new();
        for i in 0..100 {
            let sample = Sample {
                channel: ChannelId::new("rpm").unwrap(),
                at: Moment(i * 20_000_000),
                time_uncertainty: Span(400_000),
                raw: 34 + i % 2,
                value: (34 + i % 2) as f64 * 25.0,
                uncertainty: Uncertainty { noise: 4.0, resolution: 25.0, shared: 1.0 },
                quality: Quality::Good,
            };
            codec.encode(&sample, &mut body);
        }
        assert!(body.len() < 100 * 8, "{} bytes", body.len());
    }

    #[test]
    fn a_channel_without_a_number_is_refused() {
        let mut out = Vec::new();
        let sample = Sample {
            channel: ChannelId::new("stranger").unwrap(),
            at: Moment(0),
            time_uncertainty: Span(0),
            raw: 0,
            value: 0.0,
            uncertainty: Uncertainty::default(),
            quality: Quality::Good,
        };
        assert!(!Codec::new(&head("s")).encode(&sample, &mut out));
        assert!(out.is_empty());
    }
}
