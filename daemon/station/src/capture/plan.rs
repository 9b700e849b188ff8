//! What a capture is made of.

use std::collections::{BTreeMap, BTreeSet};
use std::path::PathBuf;
use std::sync::Arc;

use link::Patience;
use model::{ChannelId, Event, Gate, Span, StationId};
use record::{ChannelHead, SessionHead};

use crate::load::Car;
use crate::run::About;
use crate::sides::facts;
use crate::sides::screen::Screen;

/// A gate with the words that it was given in.
#[derive(Debug, Clone, PartialEq)]
pub struct NamedGate {
    /// The words.
    pub words: String,
    /// The gate.
    pub gate: Gate,
}

/// Everything goes to rolling segments, out of which minutes are kept.
#[derive(Debug, Clone, PartialEq)]
pub struct RollingPlan {
    /// The segments may take this many bytes together.
    pub size: u64,
    /// And be this old.
    pub age: Span,
    /// How much before a trigger is kept.
    pub before: Span,
    /// How much after it.
    pub after: Span,
    /// What triggers, beside a person's mark.
    pub keep_when: Option<NamedGate>,
    /// It triggers also where it is true already when it is armed.
    pub keep_if_already: bool,
}

/// What a capture is made of.
pub struct CapturePlan {
    /// The car.
    pub car: Arc<Car>,
    /// The station.
    pub station: StationId,
    /// Name of the series of sessions; a number is put behind it where one of that name is in the archive.
    pub name: String,
    /// Tags of every session.
    pub tags: BTreeMap<String, String>,
    /// The job, and what is said beside it.
    pub about: About,
    /// The archive's folder.
    pub archive: PathBuf,
    /// The channels that are kept, with the wanted time between two readings.
    pub channels: BTreeMap<ChannelId, Span>,
    /// Nothing is kept before this gate is met.
    pub start_when: Option<NamedGate>,
    /// It ends when this gate is met.
    pub stop_when: Option<NamedGate>,
    /// It ends after this time, counted from its start.
    pub length: Option<Span>,
    /// A new session is begun after this time.
    pub split_every: Option<Span>,
    /// A new session is begun when the journal of the last has this many bytes.
    pub split_size: Option<u64>,
    /// Rolling segments instead of sessions that are all kept.
    pub rolling: Option<RollingPlan>,
    /// How long the driver bears with others.
    pub patience: Patience,
    /// Where it is shown.
    pub screen: Screen,
}

impl std::fmt::Debug for CapturePlan {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("CapturePlan").field("name", &self.name).finish_non_exhaustive()
    }
}

impl CapturePlan {
    /// Every gate of it.
    fn gates(&self) -> impl Iterator<Item = &NamedGate> {
        let keep = self.rolling.as_ref().and_then(|rolling| rolling.keep_when.as_ref());
        [self.start_when.as_ref(), self.stop_when.as_ref(), keep].into_iter().flatten()
    }

    /// The channels that are recorded: those asked for, and those that a gate is judged on.
    pub(super) fn recorded(&self) -> BTreeSet<ChannelId> {
        let judged = self.gates().flat_map(|gate| gate.gate.condition.watches());
        self.channels.keys().cloned().chain(judged.map(|watch| watch.channel.clone())).collect()
    }

    /// What is asked of the driver: one channel of each request, with the shortest time that is wanted of any channel
    /// in it. A channel that only a gate needs is read as its description says.
    pub(super) fn polls(&self) -> Vec<(ChannelId, Span)> {
        let description = &self.car.description;
        let mut polls: BTreeMap<usize, (ChannelId, Span)> = BTreeMap::new();
        for id in self.recorded() {
            let Some(channel) = description.channel(&id) else { continue };
            let mut period = self.channels.get(&id).copied().unwrap_or(channel.period);
            // A gate must not find its readings stale because few of them are wanted in the record.
            for watch in self.gates().flat_map(|gate| gate.gate.condition.watches()) {
                if watch.channel == id {
                    period = period.min(channel.period).min(watch.fresh / 2);
                }
            }
            let poll = polls.entry(channel.request).or_insert_with(|| (id.clone(), period));
            poll.1 = poll.1.min(period);
        }
        polls.into_values().collect()
    }

    /// What every session says of itself, but for its name, its number and its clock.
    pub(super) fn head(&self, session: model::SessionId, utc_nanos: i64) -> SessionHead {
        let recorded = self.recorded();
        let heads = facts::channel_heads(&self.car.description).into_iter();
        let channels: Vec<ChannelHead> = heads.filter(|head| recorded.contains(&head.id)).collect();
        SessionHead {
            session,
            station: self.station.clone(),
            car: self.car.description.name.clone(),
            procedure: None,
            program: env!("CARGO_PKG_VERSION").to_string(),
            utc_nanos,
            job: self.about.job.clone(),
            tags: self.tags.clone(),
            description_sha256: self.car.sha256.clone(),
            script_sha256: None,
            channels,
        }
    }

    /// The first event of a session.
    pub(super) fn started(&self, tags: &BTreeMap<String, String>) -> Event {
        Event::SessionStarted {
            procedure: None,
            car: self.car.description.name.clone(),
            description_sha256: self.car.sha256.clone(),
            script_sha256: None,
            program: env!("CARGO_PKG_VERSION").to_string(),
            tags: tags.clone(),
        }
    }
}
