//! A whole description.

use std::collections::BTreeMap;

use model::{ChannelId, OutputId, Problem};
use signal::{ChannelFact, ChannelFacts};

use crate::resolved::channel::Channel;
use crate::resolved::link::Link;
use crate::resolved::output::Output;
use crate::resolved::request::ReadRequest;
use crate::resolved::setup::SetupValue;
use model::nearest;

/// A controller description that can be used.
#[derive(Debug, Clone, PartialEq)]
pub struct Description {
    /// Short name, usable as a file name.
    pub name: String,
    /// Name for people.
    pub title: String,
    /// How the controller is reached.
    pub link: Link,
    /// Requests that read data, in the order of the file.
    pub requests: Vec<ReadRequest>,
    /// Quantities in their answers, by id.
    pub channels: Vec<Channel>,
    /// Outputs that can be held, by id.
    pub outputs: Vec<Output>,
    /// Set-up values by name.
    pub setup: BTreeMap<String, SetupValue>,
    /// What the user must be told although the description can be used, in the order of the file.
    pub warnings: Vec<Problem>,
}

impl Description {
    /// A channel by its id.
    pub fn channel(&self, id: &ChannelId) -> Option<&Channel> {
        self.channels.binary_search_by(|channel| channel.id.cmp(id)).ok().map(|at| &self.channels[at])
    }

    /// An output by its id.
    pub fn output(&self, id: &OutputId) -> Option<&Output> {
        self.outputs.binary_search_by(|output| output.id.cmp(id)).ok().map(|at| &self.outputs[at])
    }

    /// The request that reads a channel of this description.
    pub fn request_of(&self, channel: &Channel) -> Option<&ReadRequest> {
        self.requests.get(channel.request)
    }

    /// The channel that was most likely meant by a text, for "did you mean".
    pub fn nearest_channel(&self, text: &str) -> Option<&ChannelId> {
        let name = nearest(text, self.channels.iter().map(|channel| channel.id.as_str()))?;
        self.channels.iter().map(|channel| &channel.id).find(|id| id.as_str() == name)
    }

    /// The output that was most likely meant by a text.
    pub fn nearest_output(&self, text: &str) -> Option<&OutputId> {
        let name = nearest(text, self.outputs.iter().map(|output| output.id.as_str()))?;
        self.outputs.iter().map(|output| &output.id).find(|id| id.as_str() == name)
    }

    /// The set-up value that was most likely meant by a text.
    pub fn nearest_setup(&self, text: &str) -> Option<&str> {
        nearest(text, self.setup.keys().map(String::as_str))
    }
}

/// What the judge of gates must know of the channels.
impl ChannelFacts for Description {
    fn fact(&self, channel: &ChannelId) -> Option<ChannelFact> {
        let channel = self.channel(channel)?;
        let uncertainty = channel.uncertainty();
        Some(ChannelFact {
            unit: channel.unit.clone(),
            resolution: uncertainty.resolution,
            noise: uncertainty.noise,
            shared: uncertainty.shared,
        })
    }

    fn nearest(&self, channel: &ChannelId) -> Option<ChannelId> {
        self.nearest_channel(channel.as_str()).cloned()
    }
}
