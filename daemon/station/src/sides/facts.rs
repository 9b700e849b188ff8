//! What a script and a record may know of the car, taken from its description.

use std::collections::BTreeMap;

use car::{Description, Rounding, SetupAmount};
use procedure::{Facts, OutputFact, SetupFact};
use record::ChannelHead;
use report::findings::SetupLevel;

/// What scripts are checked against.
pub fn of(description: &Description) -> Facts {
    let output = |output: &car::Output| OutputFact {
        unit: output.unit.clone(),
        low: output.range.0,
        high: output.range.1,
        longest: output.longest_hold,
        reads_while_held: output.reading_while_held,
    };
    let setup = |amount: &SetupAmount| match amount {
        SetupAmount::Level(level) => SetupFact::Value(level.clone()),
        SetupAmount::Window { low, high } => SetupFact::Window { low: low.clone(), high: high.clone() },
    };
    Facts {
        channels: description.channels.iter().map(|c| (c.id.clone(), c.unit.clone())).collect(),
        outputs: description.outputs.iter().map(|o| (o.id.clone(), output(o))).collect(),
        setup: description.setup.iter().map(|(name, value)| (name.clone(), setup(&value.amount))).collect(),
        ..Facts::default()
    }
}

/// What a session's record says of its channels.
pub fn channel_heads(description: &Description) -> Vec<ChannelHead> {
    let head = |channel: &car::Channel| {
        let uncertainty = channel.uncertainty();
        let rounding = match channel.rounding {
            Rounding::Nearest => "to the nearest count",
            Rounding::Down => "down",
            Rounding::Up => "up",
        };
        ChannelHead {
            id: channel.id.clone(),
            title: channel.title.clone(),
            unit: channel.unit.clone(),
            factor: channel.factor,
            offset: channel.offset,
            resolution: uncertainty.resolution,
            noise: uncertainty.noise,
            shared: uncertainty.shared,
            rounding: rounding.to_string(),
        }
    };
    description.channels.iter().map(head).collect()
}

/// The set-up values as finding rules know them.
pub fn levels(description: &Description) -> BTreeMap<String, SetupLevel> {
    let level = |amount: &SetupAmount| match amount {
        SetupAmount::Level(level) => SetupLevel::Level(level.clone()),
        SetupAmount::Window { low, high } => SetupLevel::Window { low: low.clone(), high: high.clone() },
    };
    description.setup.iter().map(|(name, value)| (name.clone(), level(&value.amount))).collect()
}
