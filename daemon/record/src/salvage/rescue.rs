//! A new session out of what can be had of a damaged one.

use std::path::{Path, PathBuf};

use model::{Event, EventEnvelope, Moment, Place, Problem, ProblemKind, Quality, SCHEMA_VERSION, SessionId};

use super::{Damage, Wreck, events, samples, wire};
use crate::archive::Archive;
use crate::head::SessionHead;
use crate::layout::NOTES;
use crate::problem::{argument, on_disk};
use crate::row::Row;
use crate::writer::SessionWriter;

/// The tag of a rescued session that names the damaged one.
pub const RESCUED_FROM: &str = "rescued_from";

/// What became of a damaged session.
#[derive(Debug, Clone, PartialEq)]
pub struct Rescued {
    /// The folder of the new session.
    pub path: PathBuf,
    /// Its readings.
    pub samples: u64,
    /// How many of them are invalid, those that lost their quality or their value in the damage included.
    pub unjudged: u64,
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
        let writer = self.begin(SessionHead { session: id.clone(), tags, ..old.clone() })?;
        let rescued = wreck.record_anew(&id, writer);
        if rescued.is_err() {
            // Half of a rescue would be closed at the next start as if it were all that can be had.
            self.discard(&id)?;
        }
        rescued
    }
}

impl Wreck {
    fn record_anew(&self, id: &SessionId, mut writer: SessionWriter) -> Result<Rescued, Problem> {
        let mut damages = self.damages.clone();
        let mut invalid = 0;
        let mut stretch: Vec<Row> = Vec::new();
        damages.extend(samples::read(self, |rows, ends| {
            let lost = |row: &&Row| matches!(row, Row::Sample(sample) if sample.quality == Quality::Invalid);
            invalid += rows.iter().filter(lost).count() as u64;
            stretch.extend(rows);
            if ends {
                in_order(&mut stretch, &mut writer);
            }
            Ok(())
        })?);
        // Of a table whose end does not tell its stretches all is one.
        in_order(&mut stretch, &mut writer);
        let (mut seq, mut at) = (0, Moment(0));
        damages.extend(events::read(self, |(event, _)| {
            (seq, at) = (seq.max(event.seq), at.max(event.at));
            writer.event(&EventEnvelope { session: id.clone(), ..event });
            Ok(())
        })?);
        damages.extend(wire::read(self, |exchange| {
            writer.exchange(&exchange);
            Ok(())
        })?);
        for (damage, seq) in damages.iter().zip(seq + 1..) {
            let place = Place::Path { path: damage.file.clone() };
            let problem = Problem::new(ProblemKind::Record, place, damage.told(), "");
            writer.event(&EventEnvelope {
                schema: SCHEMA_VERSION,
                seq,
                station: self.card.head.station.clone(),
                session: id.clone(),
                at,
                event: Event::Problem { problem },
            });
        }
        let closed = writer.close_as(self.card.ending)?;
        // What people have said of it since lies beside the tables, and goes along.
        if let Ok(notes) = std::fs::read(self.folder.join(NOTES)) {
            let to = closed.path.join(NOTES);
            std::fs::write(&to, notes).map_err(|e| on_disk(&to, "copying the notes", &e))?;
        }
        let (samples, events) = (closed.samples, closed.events);
        Ok(Rescued { path: closed.path, samples, unjudged: invalid, events, damages })
    }
}

/// Recorded anew, rows must come in the order of time, as they once did.
fn in_order(rows: &mut Vec<Row>, writer: &mut SessionWriter) {
    rows.sort_by_key(Row::at);
    rows.drain(..).for_each(|row| writer.take(&row));
}
