//! What a session's record says of itself before its first sample.

use std::collections::BTreeMap;

use model::{ChannelId, Job, SessionId, StationId, Unit};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// One channel as its description had it when the session began.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct ChannelHead {
    /// The channel.
    pub id: ChannelId,
    /// Its title for people.
    pub title: String,
    /// Unit of its values and uncertainties (UCUM).
    pub unit: Unit,
    /// Value = count × factor + offset, for channels on a straight line; used to keep the journal small, never
    /// to replace a value.
    pub factor: f64,
    /// See `factor`.
    pub offset: f64,
    /// Width of one count in the unit.
    pub resolution: f64,
    /// Standard deviation of the noise of one reading, in the unit.
    pub noise: f64,
    /// Standard uncertainty that all readings share, in the unit.
    pub shared: f64,
    /// What the controller does with the digits it drops, in words.
    pub rounding: String,
}

/// What a session's record says of itself before its first sample.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct SessionHead {
    /// The session.
    pub session: SessionId,
    /// The station that records it.
    pub station: StationId,
    /// Name of the car: 1 to 64 of `a-z`, `0-9`, `_`, `-`, because it names a folder.
    pub car: String,
    /// Name of the procedure, where there is one.
    pub procedure: Option<String>,
    /// Version of this program.
    pub program: String,
    /// UTC at moment 0 of the station's clock, in nanoseconds since 1970-01-01T00:00:00Z. Anchor events may
    /// correct it later.
    pub utc_nanos: i64,
    /// The job that it belongs to.
    #[serde(default, skip_serializing_if = "Job::is_empty")]
    pub job: Job,
    /// Tags given by the user.
    pub tags: BTreeMap<String, String>,
    /// SHA-256 of the controller's description, in hex.
    pub description_sha256: String,
    /// SHA-256 of the script, in hex, where there is one.
    pub script_sha256: Option<String>,
    /// The channels.
    pub channels: Vec<ChannelHead>,
}
