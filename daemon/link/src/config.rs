//! A description turned into what the wire's machines must know.

use std::collections::BTreeMap;

use car::{ControllerTimeout, Description, Echo, HeaderForm, Wakeup};
use model::{ChannelId, OutputId, Span};
use signal::ChannelFact;
use wire::conductor::{ConductorConfig, ReadItem};
use wire::frame::{self, Addressing};
use wire::hold::HoldSpec;
use wire::kline::{self, ClientConfig, Timing, TimingCoding};

use crate::sides::Intent;

fn timing(from: &car::Timing) -> Timing {
    Timing {
        p1_max: from.p1_max,
        p2_min: from.p2_min,
        p2_max: from.p2_max,
        p3_min: from.p3_min,
        p3_max: from.p3_max,
        p4_min: from.p4_min,
    }
}

/// The controller's own timeout, where it has one.
pub(crate) fn controller_timeout(description: &Description) -> Option<Span> {
    match description.link.controller_timeout {
        ControllerTimeout::After(timeout) => Some(timeout),
        ControllerTimeout::Never => None,
    }
}

/// The conductor's configuration. `passes_break` tells whether the transport can wake by a pulse.
pub(crate) fn conductor(description: &Description, passes_break: bool) -> ConductorConfig {
    let link = &description.link;
    let mut client = ClientConfig::new(link.baud, link.controller_address, link.tester_address);
    client.addressing = match link.addressing {
        car::Addressing::Physical => Addressing::Physical,
        car::Addressing::Functional => Addressing::Functional,
    };
    client.form = match link.header {
        HeaderForm::Auto => None,
        HeaderForm::FormatOnly => Some(frame::HeaderForm::Bare { length_byte: false }),
        HeaderForm::FormatAndLength => Some(frame::HeaderForm::Bare { length_byte: true }),
        HeaderForm::Addressed => Some(frame::HeaderForm::Addressed { length_byte: false }),
        HeaderForm::AddressedAndLength => Some(frame::HeaderForm::Addressed { length_byte: true }),
    };
    client.timing = timing(&link.timing);
    client.echo = link.echo == Echo::Expected;
    client.wakeup = match link.wakeup {
        Wakeup::Fast if passes_break => kline::Wakeup::Fast,
        Wakeup::Fast | Wakeup::Awake => kline::Wakeup::Awake,
    };
    let mut config = ConductorConfig::new(client);
    config.session = link.session;
    config.faster = link.fast_timing.as_ref().map(|fast| (timing(fast), TimingCoding::STANDARD));
    config.controller_timeout = Some(link.longest_silence());
    config.reads = description
        .requests
        .iter()
        .map(|request| ReadItem {
            request: request.bytes.clone(),
            prefix: request.prefix.clone(),
            answer: request.answer_bytes,
        })
        .collect();
    config
}

/// How long the exchange of each request of a description takes at the least, in their order.
pub fn shortest_exchanges(description: &Description) -> Vec<Span> {
    conductor(description, true).shortest_reads()
}

/// A hold as the wire sees it.
pub(crate) fn hold(description: &Description, intent: &Intent) -> HoldSpec {
    let output = description.output(&intent.output);
    let effect = output
        .and_then(|output| output.confirm.as_ref())
        .and_then(|confirm| description.channel(&confirm.channel))
        .map(|channel| channel.request);
    // A former run's intent of an output that this description does not have: the answer must echo the request.
    let answer = |prefix: Option<&[u8]>, request: &[u8]| {
        prefix.map_or_else(|| request.iter().skip(1).copied().collect(), |prefix| prefix[1..].to_vec())
    };
    HoldSpec {
        output: intent.output.clone(),
        engage: intent.engage.clone(),
        engage_answer: answer(output.map(|output| output.engage_prefix()), &intent.engage),
        release: intent.release.clone(),
        release_answer: answer(output.map(|output| output.release_prefix()), &intent.release),
        at_most: intent.at_most,
        refresh: output.and_then(|output| output.refresh),
        controller_timeout: intent.controller_timeout,
        effect,
        reading: output.is_none_or(|output| output.reading_while_held),
    }
}

/// What judges must know of the channels.
pub(crate) fn facts(description: &Description) -> BTreeMap<ChannelId, ChannelFact> {
    let fact = |channel: &car::Channel| {
        let uncertainty = channel.uncertainty();
        ChannelFact {
            unit: channel.unit.clone(),
            resolution: uncertainty.resolution,
            noise: uncertainty.noise,
            shared: uncertainty.shared,
        }
    };
    description.channels.iter().map(|channel| (channel.id.clone(), fact(channel))).collect()
}

/// Whether a reading of the channel that shows an output's effect shows it held.
pub(crate) fn shows_held(
    description: &Description,
    output: &OutputId,
    channel: &ChannelId,
    value: f64,
) -> Option<bool> {
    let confirm = description.output(output)?.confirm.as_ref()?;
    (confirm.channel == *channel).then(|| (value - confirm.held).abs() < (value - confirm.released).abs())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_description_and_the_wire_mean_the_same_default_times() {
        assert_eq!(timing(&car::Timing::DEFAULT), Timing::DEFAULT);
    }
}
