//! A description turned into what the wire's machines must know.

use std::collections::BTreeMap;

use car::{
    AnswerForm, ControllerTimeout, Description, Echo, HeaderForm, Iso14230, Link, Output, Protocol,
    ReadRequest, SingleByte, Wakeup,
};
use model::{ChannelId, OutputId, Span};
use signal::ChannelFact;
use wire::conductor::{ConductorConfig, ReadItem};
use wire::dialect::Expected;
use wire::frame::{self, Addressing};
use wire::hold::HoldSpec;
use wire::kline::{self, ClientConfig, Timing, TimingCoding};
use wire::single::SingleConfig;

use crate::sides::Intent;
use crate::transport::Abilities;

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

/// The client's configuration of ISO 14230.
fn iso14230(link: &Link, iso: &Iso14230, abilities: Abilities) -> ClientConfig {
    let mut client = ClientConfig::new(link.baud, iso.controller_address, iso.tester_address);
    client.addressing = match iso.addressing {
        car::Addressing::Physical => Addressing::Physical,
        car::Addressing::Functional => Addressing::Functional,
    };
    client.form = match iso.header {
        HeaderForm::Auto => None,
        HeaderForm::FormatOnly => Some(frame::HeaderForm::Bare { length_byte: false }),
        HeaderForm::FormatAndLength => Some(frame::HeaderForm::Bare { length_byte: true }),
        HeaderForm::Addressed => Some(frame::HeaderForm::Addressed { length_byte: false }),
        HeaderForm::AddressedAndLength => Some(frame::HeaderForm::Addressed { length_byte: true }),
    };
    client.timing = timing(&iso.timing);
    client.latency = abilities.latency;
    client.echo = link.echo == Echo::Expected;
    client.wakeup = match link.wakeup {
        Wakeup::Fast if abilities.passes_break => kline::Wakeup::Fast,
        Wakeup::Fast | Wakeup::Awake => kline::Wakeup::Awake,
    };
    client
}

/// The client's configuration of single bytes.
fn single_byte(description: &Description, single: &SingleByte, abilities: Abilities) -> SingleConfig {
    let link = &description.link;
    let keep_alive = &description.requests[single.keep_alive];
    let answer = Expected { begins: keep_alive.prefix.clone(), length: answer_length(keep_alive) };
    let mut client = SingleConfig::new(link.baud, keep_alive.bytes.clone(), answer);
    client.echo = link.echo == Echo::Expected;
    client.latency = abilities.latency;
    client.answer = single.answer;
    client.byte_gap = single.byte_gap;
    client.request_gap = single.request_gap;
    client.resync = single.resync;
    client
}

fn answer_length(request: &ReadRequest) -> usize {
    request.prefix.len() + request.answer_bytes
}

/// The conductor's configuration over a wire of these abilities.
pub(crate) fn conductor(description: &Description, abilities: Abilities) -> ConductorConfig {
    let link = &description.link;
    let mut config = match &link.protocol {
        Protocol::Iso14230(iso) => {
            let mut config = ConductorConfig::new(iso14230(link, iso, abilities));
            config.session = iso.session;
            config.faster = iso.fast_timing.as_ref().map(|fast| (timing(fast), TimingCoding::STANDARD));
            config
        }
        Protocol::SingleByte(single) => ConductorConfig::new(single_byte(description, single, abilities)),
    };
    config.controller_timeout = Some(link.longest_silence()).filter(|silence| *silence != Span::MAX);
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
    conductor(description, Abilities::default()).shortest_reads()
}

/// A hold as the wire sees it.
pub(crate) fn hold(description: &Description, intent: &Intent) -> HoldSpec {
    let output = description.output(&intent.output);
    let effect = output
        .and_then(|output| output.confirm.as_ref())
        .and_then(|confirm| description.channel(&confirm.channel))
        .map(|channel| channel.request);
    let answer = |form: Option<&AnswerForm>, request: &[u8]| expected(description, form, request);
    HoldSpec {
        output: intent.output.clone(),
        engage: intent.engage.clone(),
        engage_answer: answer(output.map(Output::engage_answer), &intent.engage),
        release: intent.release.clone(),
        release_answer: answer(output.map(Output::release_answer), &intent.release),
        at_most: intent.at_most,
        refresh: output.and_then(|output| output.refresh),
        controller_timeout: intent.controller_timeout,
        effect,
        reading: output.is_none_or(|output| output.reading_while_held),
    }
}

/// What the answer to a request of an output must be like. A former run's intent may be of an output that this
/// description does not have: in ISO 14230 its answer must echo the request; single bytes tell nothing then, so that
/// no answer is taken for a proof.
fn expected(description: &Description, form: Option<&AnswerForm>, request: &[u8]) -> Expected {
    match description.link.protocol {
        Protocol::Iso14230(_) => {
            let echoed = || request.iter().skip(1).copied().collect();
            let begins = form.map_or_else(echoed, |form| form.begins[1..].to_vec());
            Expected { begins, length: request.len() }
        }
        Protocol::SingleByte(_) => form.map_or_else(Expected::default, |form| Expected {
            begins: form.begins.clone(),
            length: form.length.unwrap_or(form.begins.len()),
        }),
    }
}

/// What judges must know of the channels.
pub fn facts(description: &Description) -> BTreeMap<ChannelId, ChannelFact> {
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
