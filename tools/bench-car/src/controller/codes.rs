//! Stored trouble codes.

use crate::config::AirMeasurement;
use crate::fault::{FaultKind, Severities};

/// A fault still present stores its code again this long after clearing, in nanoseconds. Estimate.
pub(crate) const RETURNS_AFTER: i64 = 60_000_000_000;
/// Faults milder than this stay below the controller's own limits.
const NOTICED: f64 = 0.5;
/// statusOfDTC of ISO 14230-3 for a code that is stored and whose fault is present (bits 5 and 6; from memory).
pub(crate) const PRESENT: u8 = 0x60;
/// The same for a code that is stored while its fault is not present.
pub(crate) const STORED: u8 = 0x20;

#[derive(Debug)]
pub(crate) struct Codes {
    present: Vec<[u8; 2]>,
    left_over: Vec<[u8; 2]>,
    cleared_at: Option<i64>,
}

impl Codes {
    pub(crate) fn new(faults: &Severities, air: AirMeasurement, left_over: &[[u8; 2]]) -> Self {
        let noticed = FaultKind::NAMES.iter().filter(|(_, kind)| faults.of(*kind) >= NOTICED);
        let mut present = Vec::new();
        for (_, kind) in noticed {
            let code = kind.code(air);
            if !present.contains(&code) {
                present.push(code);
            }
        }
        Self { present, left_over: left_over.to_vec(), cleared_at: None }
    }

    /// The codes stored at `now`, each with its status.
    pub(crate) fn stored(&self, now: i64) -> impl Iterator<Item = ([u8; 2], u8)> {
        let back = self.cleared_at.is_none_or(|at| now.saturating_sub(at) >= RETURNS_AFTER);
        let present = self.present.iter().filter(move |_| back).map(|code| (*code, PRESENT));
        present.chain(self.left_over.iter().map(|code| (*code, STORED)))
    }

    /// The code whose freeze frame is kept: the first one stored.
    pub(crate) fn framed(&self, now: i64) -> Option<[u8; 2]> {
        self.stored(now).next().map(|(code, _)| code)
    }

    pub(crate) fn clear(&mut self, now: i64) {
        self.left_over.clear();
        self.cleared_at = Some(now);
    }
}
