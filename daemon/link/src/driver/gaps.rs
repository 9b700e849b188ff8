//! Readings that did not come, told to whoever records. Boards, gates and guards never see them.

use std::collections::BTreeMap;

use model::{Gap, GapReason, Moment, Span};

use super::Driver;

/// While the link is down a gap is told in pieces of this length (our choice, no published source): a crash then costs
/// no more of it than of anything else, and whoever records goes on hearing what time it is.
const PIECE: Span = Span::from_secs(1);

/// The requests that are wanted while there is no link.
#[derive(Debug, Default)]
pub(super) struct Silence {
    /// Since when each of them has been neither read nor told as a gap.
    since: BTreeMap<usize, Moment>,
    /// When the next piece is told.
    due: Option<Moment>,
}

impl Driver {
    /// A scheduled request did not give its readings.
    pub(super) fn missed(&mut self, item: usize, from: Moment, to: Moment, why: GapReason) {
        // What is read beside the schedule, to see an effect, was asked for by nobody.
        if self.wanted.contains_key(&item) {
            self.tell_gap(item, from, to, why);
        }
    }

    fn tell_gap(&mut self, item: usize, from: Moment, to: Moment, why: GapReason) {
        let description = self.description.clone();
        let Some(request) = description.requests.get(item) else { return };
        let half = Span(to.since(from).0.max(0) / 2);
        for channel in request.channels.iter().filter_map(|i| description.channels.get(*i)) {
            self.journal.gap(&Gap { channel: channel.id.clone(), at: from + half, half, why });
        }
    }

    /// A request is wanted while there is no link.
    pub(super) fn silent_from(&mut self, item: usize, now: Moment) {
        if !self.link_up {
            self.silence.since.entry(item).or_insert(now);
            self.silence.due.get_or_insert(now + PIECE);
        }
    }

    /// A request is wanted no more.
    pub(super) fn silent_no_more(&mut self, item: usize, now: Moment) {
        if let Some(from) = self.silence.since.remove(&item) {
            self.tell_gap(item, from, now, GapReason::LinkDown);
        }
    }

    /// The link went down: all that is wanted is silent from here on.
    pub(super) fn all_silent(&mut self, now: Moment) {
        let wanted: Vec<usize> = self.wanted.keys().copied().collect();
        wanted.into_iter().for_each(|item| self.silent_from(item, now));
    }

    /// Tells the silence up to now, and that it is over.
    pub(super) fn end_silence(&mut self, now: Moment) {
        self.tell_silence(now);
        self.silence = Silence::default();
    }

    /// Tells the next piece when it is due.
    pub(super) fn tell_silence_if_due(&mut self, now: Moment) {
        if self.silence.due.is_some_and(|due| now >= due) {
            self.tell_silence(now);
            self.silence.due = Some(now + PIECE);
        }
    }

    fn tell_silence(&mut self, now: Moment) {
        for (item, from) in self.silence.since.clone() {
            if now > from {
                self.tell_gap(item, from, now, GapReason::LinkDown);
            }
        }
        self.silence.since.values_mut().for_each(|from| *from = now);
    }

    /// The computer slept for this long up to now: whatever is wanted was not read meanwhile.
    pub(super) fn slept_through(&mut self, now: Moment, time: Span) {
        // What is silent anyway tells its own gap.
        if self.link_up {
            let wanted: Vec<usize> = self.wanted.keys().copied().collect();
            wanted.into_iter().for_each(|item| self.tell_gap(item, now - time, now, GapReason::LinkDown));
        }
    }

    pub(super) fn silence_deadline(&self) -> Moment {
        self.silence.due.unwrap_or(Moment::NEVER)
    }
}
