//! The hold ledger on disk, as the driver sees it.

use car::Description;
use clock::Clock;
use link::{Intent, Ledger};
use model::{Moment, OutputId, Place, Problem, ProblemKind, StationId};
use record::{HoldLedger, LedgerEntry, Outstanding};

/// The ledger on disk.
pub struct DiskLedger {
    ledger: HoldLedger,
    clock: Clock,
}

impl std::fmt::Debug for DiskLedger {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str("DiskLedger")
    }
}

impl DiskLedger {
    /// The ledger of a station.
    pub fn new(ledger: HoldLedger, clock: Clock) -> Self {
        Self { ledger, clock }
    }
}

impl Ledger for DiskLedger {
    fn intend(&mut self, now: Moment, intent: &Intent) -> Result<(), Problem> {
        let anchor = self.clock.anchor();
        self.ledger.intend(LedgerEntry {
            output: intent.output.clone(),
            value: intent.value.clone(),
            engage: intent.engage.clone(),
            release: intent.release.clone(),
            at_most: intent.at_most,
            controller_timeout: intent.controller_timeout,
            at_utc_nanos: anchor.utc_nanos + now.since(anchor.at).0,
        })
    }

    fn cleared(&mut self, output: &OutputId) -> Result<(), Problem> {
        self.ledger.cleared(output)?;
        // What could not be read may have been this or any other output; a start releases every one of them,
        // and when the last is back the ledger is clean.
        if self.ledger.outstanding().is_empty() { self.ledger.cleared_unreadable() } else { Ok(()) }
    }
}

/// The name under which a station keeps the ledger of one car. One ledger a car: the bytes that release one car's
/// output must never be said to another that happens to be plugged in next.
pub fn name(station: &StationId, car: &str) -> Result<StationId, Problem> {
    let whole = format!("{station}-{car}");
    // A name too long for an id keeps its beginning and is told apart by a digest of the whole.
    let short = match whole.get(..40) {
        Some(begin) if whole.len() > 64 => format!("{begin}-{}", &crate::load::sha256(&whole)[..16]),
        _ => whole,
    };
    StationId::new(&short).map_err(|error| {
        let place = Place::Argument { name: "car".into() };
        Problem::new(ProblemKind::Description, place, error.to_string(), "give the description a plain name")
    })
}

/// What a start must release: what the ledger says, and every output of the description where a line of it
/// cannot be read.
pub fn left_behind(outstanding: &[Outstanding], description: &Description) -> Vec<Intent> {
    let mut intents: Vec<Intent> = Vec::new();
    for one in outstanding {
        let found = match one {
            Outstanding::Entry(entry) => vec![Intent {
                output: entry.output.clone(),
                value: entry.value.clone(),
                engage: entry.engage.clone(),
                release: entry.release.clone(),
                at_most: entry.at_most,
                controller_timeout: entry.controller_timeout,
            }],
            Outstanding::Unreadable { .. } => {
                description.outputs.iter().map(|o| of_output(o, description)).collect()
            }
        };
        for intent in found {
            if !intents.iter().any(|known| known.output == intent.output) {
                intents.push(intent);
            }
        }
    }
    intents
}

fn of_output(output: &car::Output, description: &Description) -> Intent {
    let timeout = match description.link.controller_timeout {
        car::ControllerTimeout::After(timeout) => Some(timeout),
        car::ControllerTimeout::Never => None,
    };
    let value = output.value_of(output.counts().0);
    Intent {
        output: output.id.clone(),
        engage: output.engage_bytes(&value).unwrap_or_default(),
        value,
        release: output.release_bytes().to_vec(),
        at_most: output.longest_hold,
        controller_timeout: timeout,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn each_car_has_its_own_ledger_however_long_its_name() {
        let station = StationId::new("bench").unwrap();
        let long = "x".repeat(63);
        let names =
            ["bench-car", "other", &long, &format!("{long}y")].map(|car| name(&station, car).unwrap());
        for (i, one) in names.iter().enumerate() {
            assert!(names[i + 1..].iter().all(|other| other != one));
        }
        assert!(name(&station, "../x").is_err());
    }
}
