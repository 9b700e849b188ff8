//! How often a channel can be read: what its exchange takes, and what else is read beside it.

use std::collections::BTreeMap;

use model::{ChannelId, Span};

use crate::check::walk::Walker;

/// Who gets how much of the line.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Turn {
    /// These channels come first, as while a gate on them is waited for.
    First,
    /// They share the line with all others, as while a mean is taken.
    Shared,
}

impl Walker<'_> {
    /// The time between two readings of each of these channels, by exchange, when what is polled here is read as
    /// well. When more is wanted than the line can do, all periods are stretched in proportion; those that come
    /// first keep up to their share of it.
    pub(super) fn periods(&self, channels: &[ChannelId], turn: Turn) -> BTreeMap<usize, Span> {
        let mut wanted: BTreeMap<usize, Span> = BTreeMap::new();
        for fact in channels.iter().filter_map(|id| self.ground.readings.get(id)) {
            let polled = self.flow.polled.get(&fact.request).copied().unwrap_or(fact.period);
            let period = wanted.get(&fact.request).copied().unwrap_or(polled);
            wanted.insert(fact.request, period.min(polled).min(fact.period));
        }
        let load = |(request, period): (&usize, &Span)| {
            let cost = self.exchange(*request).0.max(1) as f64;
            cost / period.0.max(1) as f64
        };
        let own: f64 = wanted.iter().map(load).sum();
        let others = self.flow.polled.iter().filter(|(request, _)| !wanted.contains_key(*request));
        let rest: f64 = others.map(load).sum();
        let stretch = match turn {
            Turn::Shared => own + rest,
            Turn::First if own + rest <= 1.0 || rest == 0.0 => own,
            Turn::First => own / own.min(self.ground.first_share.max(1.0 - rest)),
        };
        let by = if stretch.is_finite() { stretch.max(1.0) } else { 1.0 };
        wanted.into_iter().map(|(request, period)| (request, Span((period.0 as f64 * by) as i64))).collect()
    }

    fn exchange(&self, request: usize) -> Span {
        let of = self.ground.readings.values().find(|fact| fact.request == request);
        of.map_or(Span::ZERO, |fact| fact.exchange)
    }

    /// The time between two readings of one of these channels.
    pub(super) fn period(&self, channel: &ChannelId, among: &[ChannelId], turn: Turn) -> Option<Span> {
        let request = self.ground.readings.get(channel)?.request;
        self.periods(among, turn).get(&request).copied()
    }
}

/// How many readings a stretch of time holds at the most.
pub(super) fn readings(over: Span, period: Span) -> usize {
    usize::try_from(over.0 / period.0.max(1)).unwrap_or(0).saturating_add(1)
}
