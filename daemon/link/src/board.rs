//! The live board: the newest reading of every channel.

use std::collections::BTreeMap;

use model::{ChannelId, Moment, Sample, Span};

/// The newest reading of every channel. Viewers get the latest value; nobody waits for them.
#[derive(Debug, Default)]
pub struct Board {
    newest: BTreeMap<ChannelId, Sample>,
}

impl Board {
    /// Puts a reading up.
    pub fn put(&mut self, sample: &Sample) {
        match self.newest.get_mut(&sample.channel) {
            Some(place) => place.clone_from(sample),
            None => {
                self.newest.insert(sample.channel.clone(), sample.clone());
            }
        }
    }

    /// The newest reading of a channel that is no older than this.
    pub fn latest(&self, channel: &ChannelId, now: Moment, within: Span) -> Option<&Sample> {
        self.newest.get(channel).filter(|sample| now.since(sample.at) <= within)
    }
}
