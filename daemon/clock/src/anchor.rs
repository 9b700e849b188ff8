//! Anchors: what ties a monotonic clock to UTC.

use std::time::{SystemTime, UNIX_EPOCH};

use model::{Event, Moment, Span};

use crate::Clock;

/// One reading of both clocks.
#[derive(Debug, Clone, PartialEq)]
pub struct Anchor {
    /// The monotonic clock.
    pub at: Moment,
    /// UTC at that moment, in nanoseconds since 1970-01-01T00:00:00Z.
    pub utc_nanos: i64,
    /// Half of the interval in which both were read.
    pub uncertainty: Span,
    /// `system` or `rehearsal`.
    pub source: &'static str,
}

impl Anchor {
    /// The anchor as an event.
    pub fn event(&self) -> Event {
        Event::Anchor {
            utc_nanos: self.utc_nanos,
            uncertainty: self.uncertainty,
            source: self.source.to_string(),
        }
    }
}

/// Reads the system's UTC between two readings of the monotonic clock.
pub(crate) fn system(clock: &Clock) -> Anchor {
    let before = clock.now();
    let utc = match SystemTime::now().duration_since(UNIX_EPOCH) {
        Ok(since) => i64::try_from(since.as_nanos()).unwrap_or(i64::MAX),
        Err(before_epoch) => -i64::try_from(before_epoch.duration().as_nanos()).unwrap_or(i64::MAX),
    };
    let width = clock.now().since(before);
    Anchor { at: before + width / 2, utc_nanos: utc, uncertainty: width / 2, source: "system" }
}

/// A rehearsal's UTC is given, not read.
pub(crate) fn rehearsal(at: Moment, utc_at_zero: i64) -> Anchor {
    Anchor { at, utc_nanos: utc_at_zero.saturating_add(at.0), uncertainty: Span::ZERO, source: "rehearsal" }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_system_anchor_lies_between_its_two_readings() {
        let clock = Clock::real();
        let before = clock.now();
        let anchor = clock.anchor();
        assert!(before <= anchor.at && anchor.at <= clock.now());
        // 2025-01-01T00:00:00Z: any machine that runs this is later.
        assert!(anchor.utc_nanos > 1_735_689_600_000_000_000);
    }
}
