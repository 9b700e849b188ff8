//! A new session out of what can be had of a damaged one.

use std::path::{Path, PathBuf};

use model::{Event, EventEnvelope, Moment, Place, Problem, ProblemKind, SCHEMA_VERSION, SessionId};

use super::{Damage, Wreck, events, samples, wire};
use crate::archive::Archive;
use crate::head::SessionHead;
use crate::problem::argument;
use crate::row::Row;

/// The tag of a rescued session that names the damaged one.
pub const RESCUED_FROM: &str = "rescued_from";

/// What became of a damaged session.
#[derive(Debug, Clone, PartialEq)]
pub struct Rescued {
    /// The folder of the new session.
    pub path: PathBuf,
    /// Its readings.
    pub samples: u64,
    /// Its events, those that tell of the damage included.
    pub events: u64,
    /// What was damaged in the old one, which stays as it is.
    pub damages: Vec<Damage>,
}

impl Archive {
    /// Records what can be had of a damaged session once more, as a session whose id ends with `-rescued` and whose
    /// tag [`RESCUED_FROM`] names the damaged one. Every damage is an event of it. The damaged session stays as
    /// it is. Memory is bounded by the largest table.
    pub fn rescue(&self, folder: &Path) -> Result<Rescued, Problem> {
        let wreck = Wreck::open(folder)?;
        let old = &wreck.card.head;
        let id = SessionId::new(&format!("{}-rescued", old.session))
            .map_err(|e| argument("session", e.to_string(), "give the damaged session a shorter id"))?;
        let mut tags = old.tags.clone();
        tags.insert(RESCUED_FROM.into(), old.session.to_string());
        let mut writer = self.begin(SessionHead { session: id.clone(), tags, ..old.clone() })?;
        let mut damages = wreck.damages.clone();
        let mut stretch: Vec<Row> = Vec::new();
        damages.extend(samples::read(&wreck, |rows, ends| {
            stretch.extend(rows);
            if ends {
                // Recorded anew it must come in the order of time, as it once did.
                stretch.sort_by_key(Row::at);
                stretch.drain(..).for_each(|row| writer.take(&row));
            }
            Ok(())
        })?);
        let (mut seq, mut at) = (0, Moment(0));
        damages.extend(events::read(&wreck, |(event, _)| {
            (seq, at) = (seq.max(event.seq), at.max(event.at));
            writer.event(&EventEnvelope { session: id.clone(), ..event });
            Ok(())
        })?);
        damages.extend(wire::read(&wreck, |exchange| {
            writer.exchange(&exchange);
            Ok(())
        })?);
        for (damage, seq) in damages.iter().zip(seq + 1..) {
            let place = Place::Path { path: damage.file.clone() };
            let problem = Problem::new(ProblemKind::Record, place, damage.to_string(), "");
            writer.event(&EventEnvelope {
                schema: SCHEMA_VERSION,
                seq,
                station: old.station.clone(),
                session: id.clone(),
                at,
                event: Event::Problem { problem },
            });
        }
        let closed = writer.close_as(wreck.card.ending)?;
        Ok(Rescued { path: closed.path, samples: closed.samples, events: closed.events, damages })
    }
}
