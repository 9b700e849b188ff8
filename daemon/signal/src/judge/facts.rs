//! What a judge must know of channels, and why it may refuse a gate.

use std::collections::BTreeMap;

use model::{ChannelId, Uncertainty, Unit, UnitError};

/// What is described of a channel.
#[derive(Debug, Clone, PartialEq)]
pub struct ChannelFact {
    /// Unit of the channel's values.
    pub unit: Unit,
    /// Width of one converter count, in that unit; 0 where there is none.
    pub resolution: f64,
    /// Standard deviation of the noise of one reading, in that unit; 0 where it is not known.
    pub noise: f64,
    /// Standard uncertainty that all readings share, in that unit.
    pub shared: f64,
}

impl ChannelFact {
    /// The same as the uncertainty of a reading.
    pub fn uncertainty(&self) -> Uncertainty {
        Uncertainty { noise: self.noise, resolution: self.resolution, shared: self.shared }
    }
}

/// Where a judge finds what is described of channels.
pub trait ChannelFacts {
    /// What is described of a channel; nothing where there is no such channel.
    fn fact(&self, channel: &ChannelId) -> Option<ChannelFact>;

    /// The known channel whose name is most like the one given, for "did you mean".
    fn nearest(&self, _channel: &ChannelId) -> Option<ChannelId> {
        None
    }
}

impl ChannelFacts for BTreeMap<ChannelId, ChannelFact> {
    fn fact(&self, channel: &ChannelId) -> Option<ChannelFact> {
        self.get(channel).cloned()
    }

    fn nearest(&self, channel: &ChannelId) -> Option<ChannelId> {
        let name = model::nearest(channel.as_str(), self.keys().map(ChannelId::as_str))?;
        self.keys().find(|known| known.as_str() == name).cloned()
    }
}

/// Why a condition or gate cannot be judged. Each is a mistake in what was written, found before anything is
/// waited for.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum GateError {
    /// The car's description has no such channel.
    #[error("there is no channel '{channel}'{}", nearest.as_ref().map(|n| format!("; did you mean '{n}'?")).unwrap_or_default())]
    UnknownChannel {
        /// The channel asked for.
        channel: ChannelId,
        /// The known channel with the most similar name, where one is similar.
        nearest: Option<ChannelId>,
    },
    /// A level, band or change has a unit that does not fit its channel.
    #[error("channel '{channel}': {error}")]
    Unit {
        /// The channel.
        channel: ChannelId,
        /// What does not fit.
        error: UnitError,
    },
    /// The gate makes no sense as written.
    #[error("the gate cannot be judged: {why}")]
    Shape {
        /// What is wrong, in words.
        why: String,
    },
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_nearest_name_is_offered_only_when_it_is_near() {
        let fact = ChannelFact { unit: Unit::one(), resolution: 1.0, noise: 0.0, shared: 0.0 };
        let id = |text| ChannelId::new(text).unwrap();
        let facts: BTreeMap<_, _> = ["rpm", "coolant", "battery"].map(|n| (id(n), fact.clone())).into();
        assert_eq!(facts.nearest(&id("rmp")), Some(id("rpm")));
        assert_eq!(facts.nearest(&id("rp")), Some(id("rpm")));
        assert_eq!(facts.nearest(&id("colant")), Some(id("coolant")));
        assert_eq!(facts.nearest(&id("throttle")), None);
        let error = GateError::UnknownChannel { channel: id("colant"), nearest: Some(id("coolant")) };
        assert_eq!(error.to_string(), "there is no channel 'colant'; did you mean 'coolant'?");
    }
}
