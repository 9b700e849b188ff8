//! What was read of each channel: how much, how often, with what pauses, and between which extremes.

use std::collections::BTreeMap;

use model::{ChannelId, Moment, Problem, Sample, Span, Unit};
use record::Session;
use serde::{Deserialize, Serialize};

/// A wait for the next reading this many times the usual one is a gap.
const GAP: i64 = 3;

/// What was read of one channel.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct ChannelSummary {
    /// The channel.
    pub channel: ChannelId,
    /// Unit of the extremes; absent for a channel that the session's head does not name.
    pub unit: Option<Unit>,
    /// How many readings.
    pub readings: u64,
    /// How many of them cannot be judged: implausible, at an end of the converter, or no number.
    pub unusable: u64,
    /// Readings per second while it was read: one over the median time between two.
    pub rate: Option<f64>,
    /// How often the wait for the next reading was over three times the median.
    pub gaps: u64,
    /// The longest wait for the next reading.
    pub longest_gap: Option<Span>,
    /// When that wait began.
    pub longest_gap_at: Option<Moment>,
    /// The lowest usable value.
    pub lowest: Option<f64>,
    /// The highest usable value.
    pub highest: Option<f64>,
    /// Width of one count: the finest step in which the extremes can be told.
    pub resolution: Option<f64>,
}

#[derive(Default)]
struct Tally {
    readings: u64,
    unusable: u64,
    last: Option<Moment>,
    waits: Vec<Span>,
    longest: Option<(Span, Moment)>,
    extremes: Option<(f64, f64)>,
}

impl Tally {
    fn add(&mut self, sample: &Sample) {
        self.readings += 1;
        if let Some(last) = self.last {
            let wait = sample.at.since(last);
            self.waits.push(wait);
            if self.longest.is_none_or(|(longest, _)| wait > longest) {
                self.longest = Some((wait, last));
            }
        }
        self.last = Some(sample.at);
        if sample.quality.usable() && sample.value.is_finite() {
            let (low, high) = self.extremes.unwrap_or((sample.value, sample.value));
            self.extremes = Some((low.min(sample.value), high.max(sample.value)));
        } else {
            self.unusable += 1;
        }
    }

    fn close(mut self, channel: ChannelId, session: &Session) -> ChannelSummary {
        let middle = self.waits.len() / 2;
        let median =
            if self.waits.is_empty() { None } else { Some(*self.waits.select_nth_unstable(middle).1) };
        let usual = median.filter(|m| *m > Span::ZERO);
        let gaps = usual.map_or(0, |usual| self.waits.iter().filter(|w| **w > usual * GAP).count());
        let head = session.channel(&channel);
        ChannelSummary {
            unit: head.map(|h| h.unit.clone()),
            resolution: head.map(|h| h.resolution),
            channel,
            readings: self.readings,
            unusable: self.unusable,
            rate: usual.map(|usual| 1.0 / usual.as_secs_f64()),
            gaps: gaps as u64,
            longest_gap: self.longest.map(|(wait, _)| wait),
            longest_gap_at: self.longest.map(|(_, at)| at),
            lowest: self.extremes.map(|(low, _)| low),
            highest: self.extremes.map(|(_, high)| high),
        }
    }
}

/// Every channel that was read, by its id.
pub(crate) fn channels(session: &Session) -> Result<Vec<ChannelSummary>, Problem> {
    let mut tallies: BTreeMap<ChannelId, Tally> = BTreeMap::new();
    for sample in session.samples()? {
        let sample = sample?;
        match tallies.get_mut(&sample.channel) {
            Some(tally) => tally.add(&sample),
            None => tallies.entry(sample.channel.clone()).or_default().add(&sample),
        }
    }
    Ok(tallies.into_iter().map(|(channel, tally)| tally.close(channel, session)).collect())
}

#[cfg(test)]
mod tests {
    use model::Quality;

    use super::*;
    use crate::testing::{Recording, sample};

    #[test]
    fn a_pause_is_a_gap_and_bad_readings_count_but_do_not_stretch_the_extremes() {
        let mut recording = Recording::new("s1");
        // 50 readings at 10 a second, a pause of 2 s, 50 more.
        for i in 0..100 {
            let at = i * 100 + if i < 50 { 0 } else { 2_000 };
            recording.sample(&sample("rpm", at, 32 + i % 3));
        }
        recording.sample(&Sample { quality: Quality::Saturated, ..sample("rpm", 12_000, 255) });
        let session = recording.close();
        let [rpm] = &channels(&session).unwrap()[..] else { panic!("one channel was read") };
        assert_eq!((rpm.readings, rpm.unusable, rpm.gaps), (101, 1, 1));
        assert!((rpm.rate.unwrap() - 10.0).abs() < 1e-9);
        assert_eq!(rpm.longest_gap, Some(Span::from_millis(2_100)));
        assert_eq!(rpm.longest_gap_at, Some(Moment(4_900_000_000)));
        assert_eq!((rpm.lowest, rpm.highest), (Some(800.0), Some(850.0)));
    }
}
