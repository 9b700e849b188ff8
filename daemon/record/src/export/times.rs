//! Moments as people name them.

use model::{Event, Moment, Span};

use crate::layout::utc_text;
use crate::notes::Notes;
use crate::read::Session;
use crate::tables::Anchors;
use crate::tick::Tick;

/// Decimal places of a second in which UTC is told: finer than any reading is timed.
const UTC_PLACES: usize = 6;

/// What ties a session's moments to seconds and to UTC.
pub(super) struct Times {
    anchors: Anchors,
    correction: i64,
    /// The first record: second 0.
    pub(super) first: Moment,
    /// The last record.
    pub(super) last: Moment,
}

impl std::fmt::Debug for Times {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Times").field("first", &self.first).field("last", &self.last).finish_non_exhaustive()
    }
}

impl Times {
    pub(super) fn of(session: &Session, notes: &Notes) -> Self {
        let mut anchors = Anchors::new(session.head().utc_nanos);
        for envelope in &session.events {
            if let Event::Anchor { utc_nanos, uncertainty, source } = &envelope.event {
                anchors.add(envelope.at, *utc_nanos, *uncertainty, source);
            }
        }
        // As readings are kept, so that none lies before the first record or after the last.
        let kept = |at: Moment| Tick::of(at, Span::ZERO).at();
        let first = session.card.first.map_or(Moment::ZERO, kept);
        let last = session.card.last.map_or(first, kept);
        Self { anchors, correction: notes.date_correction_ns, first, last }
    }

    /// Nanoseconds since the first record.
    pub(super) fn since_first(&self, at: Moment) -> i64 {
        at.since(self.first).0
    }

    /// UTC in nanoseconds, as it was corrected.
    pub(super) fn utc(&self, at: Moment) -> i64 {
        self.anchors.utc(at).saturating_add(self.correction)
    }

    /// UTC as RFC 3339 has it.
    pub(super) fn utc_words(&self, at: Moment) -> String {
        let utc = self.utc(at);
        let unit = 10_i64.pow(9 - UTC_PLACES as u32);
        let micros = utc.div_euclid(unit);
        let second = micros.div_euclid(1_000_000).saturating_mul(1_000_000_000);
        format!("{}.{:06}Z", utc_text(second).trim_end_matches('Z'), micros.rem_euclid(1_000_000))
    }

    /// The first moment of the session whose UTC is this or later; its last one plus a nanosecond where there is none.
    pub(super) fn moment_of(&self, utc: i64) -> Moment {
        let (mut low, mut high) = (self.first.0, self.last.0.saturating_add(1));
        while low < high {
            let middle = low + (high - low) / 2;
            if self.utc(Moment(middle)) >= utc { high = middle } else { low = middle + 1 }
        }
        Moment(low)
    }
}
