//! What a run is made of.

use std::collections::BTreeMap;
use std::path::PathBuf;
use std::sync::Arc;
use std::time::Duration;

use link::transport::Transport;
use link::{Operator, Patience};
use model::event::NoteValue;
use model::{Command, Reply, StationId};
use procedure::Limits;

use super::about::About;
use crate::load::{Car, Procedure};
use crate::sides::screen::Screen;

/// What a run is made of.
pub struct Plan {
    /// The procedure.
    pub procedure: Arc<Procedure>,
    /// The car.
    pub car: Arc<Car>,
    /// The station.
    pub station: StationId,
    /// Name of the session; a number is put behind it where one of that name is in the archive.
    pub session: String,
    /// Tags of the session.
    pub tags: BTreeMap<String, String>,
    /// What a person says of it beforehand.
    pub about: About,
    /// Notes of the session that this one follows, each under `earlier:` and its own key.
    pub earlier: BTreeMap<String, NoteValue>,
    /// The archive's folder.
    pub archive: PathBuf,
    /// Limits of the script.
    pub limits: Limits,
    /// How long the driver bears with others.
    pub patience: Patience,
    /// How long, in real time, a rehearsal lets the script compute between two calls.
    pub script_patience: Duration,
    /// Where it is shown.
    pub screen: Screen,
}

impl std::fmt::Debug for Plan {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Plan").field("session", &self.session).finish_non_exhaustive()
    }
}

/// Asks the driver and gives its reply back.
pub type AskDriver = Box<dyn FnMut(Command) -> Reply + Send>;

/// Puts something around the transport.
pub type WrapTransport = Box<dyn FnOnce(Box<dyn Transport>) -> Box<dyn Transport>>;

/// Puts something around the script's calls.
pub type WrapAsk = Box<dyn FnOnce(AskDriver) -> AskDriver>;

/// Places where a test puts its own hands into a run: around the wire, and around the script's calls.
#[derive(Default)]
pub struct Hooks {
    /// Wraps the transport.
    pub transport: Option<WrapTransport>,
    /// Wraps the script's calls.
    pub ask: Option<WrapAsk>,
    /// Stands in for the simulated hands.
    pub operator: Option<Box<dyn Operator>>,
    /// Ends the program in mid-run as far as the wire can tell: nothing more is said, nothing is released and
    /// no session is closed. What was handed to the recorder still reaches its journal; torn and unsynced
    /// writes are tried on a simulated disk, in `record`.
    pub crash: Option<clock::Stop>,
    /// Stops the run as an operator would.
    pub stop: clock::Stop,
}

impl std::fmt::Debug for Hooks {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str("Hooks")
    }
}
