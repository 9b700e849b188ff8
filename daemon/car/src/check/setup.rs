//! Set-up values of the car.

use std::collections::BTreeMap;

use model::{ChannelId, OutputId, Quantity, Unit};

use crate::check::names::Names;
use crate::check::{in_order, unit};
use crate::raw::RawSetup;
use crate::read::findings::{Findings, shown};
use crate::read::source::below;
use crate::resolved::output::Output;
use crate::resolved::setup::{SetupAmount, SetupValue};

/// What a set-up value may refer to.
#[derive(Debug)]
pub(crate) struct Targets<'a> {
    pub(crate) channel_ids: &'a Names<'a>,
    pub(crate) channel_units: BTreeMap<&'a str, Unit>,
    pub(crate) output_ids: &'a Names<'a>,
    pub(crate) output_units: BTreeMap<&'a str, Unit>,
    pub(crate) outputs: &'a BTreeMap<OutputId, Output>,
}

pub(crate) fn resolve(
    name: &str,
    raw: &RawSetup,
    pointer: &str,
    targets: &Targets<'_>,
    findings: &mut Findings<'_>,
) -> Option<SetupValue> {
    if ChannelId::new(name).is_err() {
        findings.problem(
            pointer,
            format!("'{}' is not a usable name", shown(name)),
            "use 1 to 64 of a-z, 0-9, '_' and '-', starting with a letter or digit",
        );
    }
    let unit = unit(raw.unit.as_deref(), pointer, findings);
    let amount = amount(raw, unit.as_ref(), pointer, findings);
    let channel = raw.channel.as_deref().filter(|id| {
        let found = targets.channel_ids.find(id, "channel", &below(pointer, "channel"), findings).is_some();
        same_kind(
            unit.as_ref(),
            targets.channel_units.get(id),
            &format!("channel '{id}'"),
            pointer,
            findings,
        );
        found
    });
    let output = raw.output.as_deref().filter(|id| {
        let found = targets.output_ids.find(id, "output", &below(pointer, "output"), findings).is_some();
        same_kind(unit.as_ref(), targets.output_units.get(id), &format!("output '{id}'"), pointer, findings);
        found
    });
    let channel = channel.and_then(|id| ChannelId::new(id).ok());
    let output = output.and_then(|id| OutputId::new(id).ok());
    if let (Some(amount), Some(output)) = (&amount, output.as_ref().and_then(|id| targets.outputs.get(id))) {
        within_output(amount, output, pointer, findings);
    }
    Some(SetupValue { what: raw.what.clone()?, amount: amount?, channel, output })
}

fn amount(
    raw: &RawSetup,
    unit: Option<&Unit>,
    pointer: &str,
    findings: &mut Findings<'_>,
) -> Option<SetupAmount> {
    let quantity = |value: f64| unit.map(|unit| Quantity::new(value, unit.clone()));
    match (raw.value, raw.low, raw.high) {
        (Some(value), None, None) => Some(SetupAmount::Level(quantity(value)?)),
        (None, Some(low), Some(high)) => {
            let good = in_order(low, high, &below(pointer, "low"), findings);
            let window = SetupAmount::Window { low: quantity(low)?, high: quantity(high)? };
            good.then_some(window)
        }
        _ => {
            let told = ["value", "low", "high"].iter().any(|key| findings.is_broken(&below(pointer, key)));
            if !told {
                findings.problem(
                    pointer,
                    "it is neither a level nor a window",
                    "give value alone, or low and high together",
                );
            }
            None
        }
    }
}

fn same_kind(
    unit: Option<&Unit>,
    other: Option<&Unit>,
    whose: &str,
    pointer: &str,
    findings: &mut Findings<'_>,
) {
    if let (Some(unit), Some(other)) = (unit, other)
        && !unit.compatible(other)
    {
        findings.problem(
            &below(pointer, "unit"),
            format!("the unit is {unit}, and that of {whose} is {other}: they measure different things"),
            format!("give it in {other} or in a unit that converts to it"),
        );
    }
}

fn within_output(amount: &SetupAmount, output: &Output, pointer: &str, findings: &mut Findings<'_>) {
    let ends = match amount {
        SetupAmount::Level(value) => vec![("value", value)],
        SetupAmount::Window { low, high } => vec![("low", low), ("high", high)],
    };
    for (key, value) in ends.into_iter().filter(|(_, value)| value.unit.compatible(&output.unit)) {
        if let Err(error) = output.count_for(value) {
            findings.problem(
                &below(pointer, key),
                error.to_string(),
                "give a value that the output can take",
            );
        }
    }
}
