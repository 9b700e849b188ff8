//! Rows that found no room on their way into the record: they stand in it as a gap of their channel.

use std::collections::BTreeMap;

use model::{ChannelId, Gap, GapReason, Moment, Span};

/// From when to when of each channel there are rows that found no room and no gap yet in their place.
#[derive(Debug, Default)]
pub struct Missed(BTreeMap<ChannelId, (Moment, Moment)>);

impl Missed {
    /// A row found no room: a reading or a gap, with half its interval.
    pub fn row(&mut self, channel: ChannelId, at: Moment, half: Span) {
        let (from, to) = (at - half, at + half);
        let missed = self.0.entry(channel).or_insert((from, to));
        *missed = (missed.0.min(from), missed.1.max(to));
    }

    /// Gives one gap for each channel, as long as there is room for them; `take` says whether there was.
    pub fn tell(&mut self, mut take: impl FnMut(Gap) -> bool) {
        while let Some(entry) = self.0.first_entry() {
            let (from, to) = *entry.get();
            let half = Span(to.since(from).0 / 2 + to.since(from).0 % 2);
            let gap = Gap { channel: entry.key().clone(), at: from + half, half, why: GapReason::Lost };
            if !take(gap) {
                return;
            }
            entry.remove();
        }
    }
}
