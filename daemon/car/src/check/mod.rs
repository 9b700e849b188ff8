//! The check of a description against itself, which also resolves it.
//!
//! Each part answers with its resolved form, or with nothing once a problem about it has been told (or was told
//! already by the check of the structure).

mod bytes;
mod channel;
mod dialect;
mod hold;
mod link;
mod names;
mod output;
mod request;
mod sequence;
mod setup;
mod timing;

use std::collections::BTreeMap;

use model::{ChannelId, OutputId, Unit};

use crate::raw::RawDescription;
use crate::read::findings::Findings;
use crate::read::source::below;
use crate::resolved::channel::Channel;
use crate::resolved::description::Description;
use crate::resolved::link::Protocol;
use crate::resolved::output::Output;
use crate::resolved::request::ReadRequest;
use crate::resolved::setup::SetupValue;
use crate::words::Dialect;

use names::Names;

/// The resolved description, warnings still with the findings; nothing if there is any problem.
pub(crate) fn resolve(raw: &RawDescription, findings: &mut Findings<'_>) -> Option<Description> {
    let raw_requests = raw.request.as_deref().unwrap_or_default();
    let raw_channels = raw.channel.as_deref().unwrap_or_default();
    let raw_outputs = raw.output.as_deref().unwrap_or_default();
    let request_names =
        Names::new(findings, "/request", "name", raw_requests.iter().map(|r| r.name.as_deref()));
    let channel_ids = Names::new(findings, "/channel", "id", raw_channels.iter().map(|c| c.id.as_deref()));
    let output_ids = Names::new(findings, "/output", "id", raw_outputs.iter().map(|o| o.id.as_deref()));

    let dialect = raw.link.as_ref().and_then(|link| link.dialect);
    let link = raw.link.as_ref().and_then(|raw| link::resolve(raw, &request_names, findings));
    let longest_data =
        raw.link.as_ref().and_then(|link| link.header).map_or(255, |header| header.longest_data());
    let requests = every(raw_requests, |i, raw| {
        request::resolve(raw, &entry("/request", i), dialect, longest_data, findings)
    });
    request::warn_about_twins(raw_requests, findings);

    let mut channels: BTreeMap<ChannelId, Channel> = BTreeMap::new();
    for (i, raw) in raw_channels.iter().enumerate() {
        if let Some(channel) =
            channel::resolve(raw, &entry("/channel", i), &request_names, raw_requests, findings)
        {
            channels.entry(channel.id.clone()).or_insert(channel);
        }
    }
    let mut outputs: BTreeMap<OutputId, Output> = BTreeMap::new();
    for (i, raw_output) in raw_outputs.iter().enumerate() {
        let context = output::Context {
            dialect,
            link: raw.link.as_ref(),
            channel_ids: &channel_ids,
            channels: &channels,
            longest_data,
        };
        if let Some(output) = output::resolve(raw_output, &entry("/output", i), &context, findings) {
            outputs.entry(output.id.clone()).or_insert(output);
        }
    }
    if let (Some(Dialect::SingleByte), Some(requests)) = (dialect, &requests) {
        sequence::keep_apart(requests, raw_outputs, findings);
    }
    let mut setup: BTreeMap<String, SetupValue> = BTreeMap::new();
    let targets = setup::Targets {
        channel_ids: &channel_ids,
        channel_units: units(raw_channels.iter().map(|c| (c.id.as_deref(), c.unit.as_deref()))),
        output_ids: &output_ids,
        output_units: units(raw_outputs.iter().map(|o| (o.id.as_deref(), o.unit.as_deref()))),
        outputs: &outputs,
    };
    for (name, raw) in raw.setup.iter().flatten() {
        if let Some(value) = setup::resolve(name, raw, &below("/setup", name), &targets, findings) {
            setup.insert(name.clone(), value);
        }
    }
    if findings.any_problem() {
        return None;
    }
    let channels: Vec<Channel> = channels.into_values().collect();
    let mut requests = requests?;
    for (place, channel) in channels.iter().enumerate() {
        requests.get_mut(channel.request)?.channels.push(place);
    }
    let keep_alive = link.as_ref().and_then(|link| match &link.protocol {
        Protocol::SingleByte(single) => Some(single.keep_alive),
        Protocol::Iso14230(_) => None,
    });
    let unread = |(i, request): &(usize, &ReadRequest)| request.channels.is_empty() && keep_alive != Some(*i);
    for (i, request) in requests.iter().enumerate().filter(unread) {
        findings.warn(
            &entry("/request", i),
            format!("no channel reads request '{}'", request.name),
            "it is never sent: add a channel or take it out",
        );
    }
    Some(Description {
        name: raw.name.clone()?,
        title: raw.title.clone()?,
        link: link?,
        requests,
        channels,
        outputs: outputs.into_values().collect(),
        setup,
        warnings: Vec::new(),
    })
}

fn entry(list: &str, i: usize) -> String {
    format!("{list}/{i}")
}

fn every<R, T>(raw: &[R], mut resolve: impl FnMut(usize, &R) -> Option<T>) -> Option<Vec<T>> {
    // Collected in full before it is judged, so that one missing part does not keep the others from being checked.
    let parts: Vec<Option<T>> = raw.iter().enumerate().map(|(i, raw)| resolve(i, raw)).collect();
    parts.into_iter().collect()
}

fn unit(code: Option<&str>, pointer: &str, findings: &mut Findings<'_>) -> Option<Unit> {
    match Unit::new(code?) {
        Ok(unit) => Some(unit),
        Err(error) => {
            findings.problem(
                &below(pointer, "unit"),
                error.to_string(),
                "give the UCUM code of the unit: V, Cel, kPa, deg, {rev}/min, {step}, and 1 for a plain number",
            );
            None
        }
    }
}

/// What is given, or the default where nothing is; nothing where what was given is told as broken, since a
/// default in its place would lead to complaints about what nobody wrote.
fn given_or<T>(given: Option<T>, default: T, key: &str, pointer: &str, findings: &Findings<'_>) -> Option<T> {
    given.or_else(|| if findings.is_broken(&below(pointer, key)) { None } else { Some(default) })
}

/// Units per count; nothing if it is 0, because then every count would mean the same.
fn factor(given: Option<f64>, pointer: &str, findings: &mut Findings<'_>) -> Option<f64> {
    if given == Some(0.0) {
        findings.problem(
            &below(pointer, "factor"),
            "the factor is 0, so every count would mean the same value",
            "give the units per count; a factor of 1 can be left out",
        );
        return None;
    }
    given_or(given, 1.0, "factor", pointer, findings)
}

/// The units of a list's entries, by id, whatever else may be wrong with the entries. Of two with the same id
/// the first counts, as it does everywhere.
fn units<'r>(entries: impl Iterator<Item = (Option<&'r str>, Option<&'r str>)>) -> BTreeMap<&'r str, Unit> {
    let mut units = BTreeMap::new();
    for (id, unit) in entries.filter_map(|(id, code)| Some((id?, Unit::new(code?).ok()?))) {
        units.entry(id).or_insert(unit);
    }
    units
}

/// Whether a lower and an upper edge are the right way round.
fn in_order(low: f64, high: f64, pointer: &str, findings: &mut Findings<'_>) -> bool {
    if low >= high {
        findings.problem(
            pointer,
            format!("the lower edge {low} is not below the upper edge {high}"),
            "write the lower edge first",
        );
    }
    low < high
}
