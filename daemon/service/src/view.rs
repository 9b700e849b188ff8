//! Sessions as the API tells them.

use std::collections::BTreeMap;

use model::{ChannelId, Ending, Moment, Problem, SessionId, StationId, Unit};
use record::{ChannelHead, Session, SessionCard, utc_text};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// Every closed session of the archive.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct SessionList {
    /// Version of the vocabulary ([`model::SCHEMA_VERSION`]).
    pub schema: u16,
    /// The sessions, by car, day and id. They are told from their descriptions alone, without reading their
    /// tables; asking for one of them checks it in full.
    pub sessions: Vec<SessionSummary>,
    /// What stood in the way of telling the others.
    pub problems: Vec<Problem>,
}

/// A session in short.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct SessionSummary {
    /// Its name.
    pub id: SessionId,
    /// The station that recorded it.
    pub station: StationId,
    /// Name of the car.
    pub car: String,
    /// Name of the procedure, where there is one.
    pub procedure: Option<String>,
    /// When it began: UTC to the second, as ISO 8601 writes it.
    pub started: String,
    /// How it ended; none when a crash ended it.
    pub ending: Option<Ending>,
    /// Tags given by the user.
    pub tags: BTreeMap<String, String>,
    /// How many samples it holds.
    pub samples: u64,
    /// How many events it holds.
    pub events: u64,
    /// Whether it was closed by a later start, after a crash.
    pub recovered: bool,
}

/// A session in full, checked against its digests.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct SessionDetail {
    /// Version of the vocabulary ([`model::SCHEMA_VERSION`]).
    pub schema: u16,
    /// The session in short.
    #[serde(flatten)]
    pub summary: SessionSummary,
    /// Its folder on this computer.
    pub folder: String,
    /// UTC at moment 0 of the station's clock, in nanoseconds since 1970-01-01T00:00:00Z.
    pub utc_nanos: i64,
    /// Time of the earliest sample or event, in nanoseconds on the station's clock.
    pub first: Option<Moment>,
    /// Time of the latest sample or event, in nanoseconds on the station's clock.
    pub last: Option<Moment>,
    /// Sequence number of the last event.
    pub last_event: Option<u64>,
    /// What of its journal could not be used.
    pub cut: Option<Cut>,
    /// Version of the program that recorded it.
    pub program: String,
    /// SHA-256 of the controller's description, in hex.
    pub description_sha256: String,
    /// SHA-256 of the script, in hex, where there is one.
    pub script_sha256: Option<String>,
    /// Its channels.
    pub channels: Vec<Channel>,
}

/// What of a session's journal could not be used.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct Cut {
    /// How many bytes of the journal could not be used.
    pub bytes: u64,
    /// In how many places of the journal. 0 in an old record that did not count them: then it is its end.
    pub places: u64,
    /// How many records are known to be missing.
    pub missing: u64,
    /// The last moment recorded before the first place, in nanoseconds on the station's clock; none where nothing lies
    /// before it.
    pub from: Option<Moment>,
    /// The first moment recorded after the last place, in nanoseconds on the station's clock; none where nothing lies
    /// behind it.
    pub to: Option<Moment>,
    /// What was wrong with the first of them.
    pub why: String,
}

impl Cut {
    fn new(cut: &record::Cut) -> Self {
        let record::Cut { bytes, places, missing, from, to, ref why, .. } = *cut;
        Self { bytes, places, missing, from, to, why: why.clone() }
    }
}

/// A channel as its description had it when the session began.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Channel {
    /// The channel.
    pub id: ChannelId,
    /// Its title for people.
    pub title: String,
    /// Unit of its values and uncertainties (UCUM).
    pub unit: Unit,
    /// Width of one count in the unit.
    pub resolution: f64,
    /// Standard deviation of the noise of one reading, in the unit.
    pub noise: f64,
    /// Standard uncertainty that all readings share, in the unit.
    pub shared: f64,
}

impl SessionSummary {
    pub(crate) fn new(card: &SessionCard) -> Self {
        let head = &card.head;
        Self {
            id: head.session.clone(),
            station: head.station.clone(),
            car: head.car.clone(),
            procedure: head.procedure.clone(),
            started: utc_text(head.utc_nanos),
            ending: card.ending,
            tags: head.tags.clone(),
            samples: card.samples,
            events: card.events,
            recovered: card.recovered,
        }
    }
}

impl SessionDetail {
    pub(crate) fn new(session: &Session) -> Self {
        let card = &session.card;
        let head = &card.head;
        Self {
            schema: model::SCHEMA_VERSION,
            summary: SessionSummary::new(card),
            folder: session.path.display().to_string(),
            utc_nanos: head.utc_nanos,
            first: card.first,
            last: card.last,
            last_event: session.events.last().map(|event| event.seq),
            cut: card.cut.as_ref().map(Cut::new),
            program: head.program.clone(),
            description_sha256: head.description_sha256.clone(),
            script_sha256: head.script_sha256.clone(),
            channels: head.channels.iter().map(Channel::new).collect(),
        }
    }
}

impl Channel {
    fn new(head: &ChannelHead) -> Self {
        Self {
            id: head.id.clone(),
            title: head.title.clone(),
            unit: head.unit.clone(),
            resolution: head.resolution,
            noise: head.noise,
            shared: head.shared,
        }
    }
}
