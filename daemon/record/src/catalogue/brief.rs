//! The part of a session's description that a list needs. Channels are skipped, and the description's own digest
//! is not checked: whoever opens one session checks both.

use std::collections::BTreeMap;
use std::path::Path;

use model::{Ending, Job, Moment, Problem, SessionId, StationId};
use serde::Deserialize;

use crate::card::{Cut, FileDigest};
use crate::head::SessionHead;
use crate::problem::damaged;

/// What a list tells of a session.
#[derive(Debug, Clone, PartialEq)]
pub struct SessionBrief {
    /// The session.
    pub session: SessionId,
    /// The station that recorded it.
    pub station: StationId,
    /// Name of the car.
    pub car: String,
    /// Name of the procedure, where there is one.
    pub procedure: Option<String>,
    /// When it began, as it was recorded: UTC in nanoseconds since 1970-01-01T00:00:00Z.
    pub utc_nanos: i64,
    /// The job that it belongs to.
    pub job: Job,
    /// Tags as they were recorded.
    pub tags: BTreeMap<String, String>,
    /// How it ended; none when a crash ended it or it has not ended.
    pub ending: Option<Ending>,
    /// Readings; none while it is not closed.
    pub samples: Option<u64>,
    /// Readings that did not come; none while it is not closed.
    pub gaps: Option<u64>,
    /// Events; none while it is not closed.
    pub events: Option<u64>,
    /// Time of the earliest sample or event.
    pub first: Option<Moment>,
    /// Time of the latest sample or event.
    pub last: Option<Moment>,
    /// Bytes of its tables and its description.
    pub bytes: u64,
    /// Whether a later start closed it, after a crash.
    pub recovered: bool,
    /// What was cut because it was damaged.
    pub cut: Option<Cut>,
}

#[derive(Deserialize)]
struct LeanHead {
    session: SessionId,
    station: StationId,
    car: String,
    procedure: Option<String>,
    utc_nanos: i64,
    #[serde(default)]
    job: Job,
    tags: BTreeMap<String, String>,
}

#[derive(Deserialize)]
struct Version {
    schema: u16,
}

#[derive(Deserialize)]
struct LeanCard {
    schema: u16,
    head: LeanHead,
    ending: Option<Ending>,
    samples: u64,
    #[serde(default)]
    gaps: u64,
    events: u64,
    first: Option<Moment>,
    last: Option<Moment>,
    files: Vec<FileDigest>,
    recovered: bool,
    cut: Option<Cut>,
}

impl SessionBrief {
    /// Reads it from `session.json`.
    pub(super) fn from_bytes(bytes: &[u8], path: &Path) -> Result<Self, Problem> {
        let cure =
            "restore the session's folder from a copy, or see what 'holdgate sessions rescue' can have of it";
        let card = serde_json::from_slice::<LeanCard>(bytes);
        let schema = match &card {
            Ok(card) => Some(card.schema),
            // A description of another version may have another form: its version is the better answer.
            Err(_) => serde_json::from_slice::<Version>(bytes).ok().map(|version| version.schema),
        };
        if let Some(schema) = schema
            && schema != crate::RECORD_VERSION
        {
            let seen = format!("it is of version {schema}; this program reads {}", crate::RECORD_VERSION);
            return Err(damaged(path, seen, "read it with the version of this program that wrote it"));
        }
        let card =
            card.map_err(|e| damaged(path, format!("it is not the description of a session: {e}"), cure))?;
        let head = card.head;
        let tables: u64 = card.files.iter().map(|file| file.bytes).fold(0, u64::saturating_add);
        Ok(Self {
            session: head.session,
            station: head.station,
            car: head.car,
            procedure: head.procedure,
            utc_nanos: head.utc_nanos,
            job: head.job,
            tags: head.tags,
            ending: card.ending,
            samples: Some(card.samples),
            gaps: Some(card.gaps),
            events: Some(card.events),
            first: card.first,
            last: card.last,
            bytes: tables.saturating_add(bytes.len() as u64),
            recovered: card.recovered,
            cut: card.cut,
        })
    }

    /// What is known of a session that is not closed.
    pub(super) fn of_head(head: SessionHead) -> Self {
        Self {
            session: head.session,
            station: head.station,
            car: head.car,
            procedure: head.procedure,
            utc_nanos: head.utc_nanos,
            job: head.job,
            tags: head.tags,
            ending: None,
            samples: None,
            gaps: None,
            events: None,
            first: None,
            last: None,
            bytes: 0,
            recovered: false,
            cut: None,
        }
    }
}
