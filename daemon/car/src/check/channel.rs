//! Quantities in the answers.

use model::{ChannelId, Span};

use crate::check::names::Names;
use crate::check::{factor, given_or, in_order, unit};
use crate::raw::{RawChannel, RawRequest};
use crate::read::findings::Findings;
use crate::read::source::below;
use crate::resolved::channel::{Channel, Encoding};
use crate::words::Rounding;

pub(crate) fn resolve(
    raw: &RawChannel,
    pointer: &str,
    names: &Names<'_>,
    requests: &[RawRequest],
    findings: &mut Findings<'_>,
) -> Option<Channel> {
    let request =
        raw.request.as_deref().and_then(|n| names.find(n, "request", &below(pointer, "request"), findings));
    let encoding = encoding(raw, pointer, findings);
    if let (Some(request), Some(encoding)) = (request, encoding) {
        fits(raw, encoding, &requests[request], pointer, findings);
    }
    let unit = unit(raw.unit.as_deref(), pointer, findings);
    let factor = factor(raw.factor, pointer, findings);
    let noise = not_negative(raw.noise, "noise", pointer, findings);
    let shared = not_negative(raw.shared, "shared", pointer, findings);
    let plausible_ordered =
        raw.plausible.is_none_or(|[low, high]| in_order(low, high, &below(pointer, "plausible"), findings));
    let mut channel = Channel {
        id: ChannelId::new(raw.id.as_deref()?).ok()?,
        title: raw.title.clone()?,
        unit: unit?,
        request: request?,
        at: usize::from(raw.at?),
        encoding: encoding?,
        factor: factor?,
        offset: given_or(raw.offset, 0.0, "offset", pointer, findings)?,
        rounding: match encoding? {
            Encoding::Number { .. } => {
                given_or(raw.rounding, Rounding::Nearest, "rounding", pointer, findings)?
            }
            Encoding::Bit(_) => Rounding::Nearest,
        },
        noise: noise?,
        shared: shared?,
        plausible: (f64::NEG_INFINITY, f64::INFINITY),
        not_available: raw.not_available.clone().unwrap_or_default(),
        saturates: raw.saturates.unwrap_or(false),
        ratiometric: raw.ratiometric.unwrap_or(false),
        period: Span::from_millis(i64::from(raw.period_ms.unwrap_or(1_000))),
    };
    let reach = channel.reach();
    channel.plausible = raw.plausible.map_or(reach, |[low, high]| (low, high));
    reachable(&channel, plausible_ordered, pointer, findings);
    Some(channel)
}

fn encoding(raw: &RawChannel, pointer: &str, findings: &mut Findings<'_>) -> Option<Encoding> {
    let meaningless = [
        ("signed", raw.signed == Some(true)),
        ("saturates", raw.saturates == Some(true)),
        ("rounding", raw.rounding.is_some_and(|rounding| rounding != Rounding::Nearest)),
    ];
    match (raw.bytes, raw.bit) {
        (Some(_), Some(_)) => {
            findings.problem(
                &below(pointer, "bit"),
                "both bit and bytes are given",
                "a channel is a number of some bytes or one bit of a byte: take one out",
            );
            None
        }
        (Some(bytes), None) => Some(Encoding::Number {
            bytes: usize::from(bytes),
            signed: given_or(raw.signed, false, "signed", pointer, findings)?,
        }),
        (None, Some(bit)) => {
            for (key, given) in meaningless {
                if given {
                    let seen = format!("{key} means nothing for a bit");
                    findings.problem(&below(pointer, key), seen, "take it out");
                }
            }
            Some(Encoding::Bit(bit))
        }
        (None, None) => {
            let (bytes, bit) = (below(pointer, "bytes"), below(pointer, "bit"));
            if !findings.is_broken(&bytes) && !findings.is_broken(&bit) {
                findings.problem(
                    &bytes,
                    "neither bytes nor bit is given",
                    "say how many bytes the number has, or which bit of the byte it is",
                );
            }
            None
        }
    }
}

fn fits(
    raw: &RawChannel,
    encoding: Encoding,
    request: &RawRequest,
    pointer: &str,
    findings: &mut Findings<'_>,
) -> Option<()> {
    let (at, answer) = (usize::from(raw.at?), usize::from(request.answer_bytes?));
    let width = match encoding {
        Encoding::Number { bytes, .. } => bytes,
        Encoding::Bit(_) => 1,
    };
    if at + width > answer {
        let name = request.name.as_deref()?;
        findings.problem(
            &below(pointer, "at"),
            format!(
                "{width} byte(s) from byte {at} on reach past the {answer} data byte(s) of request '{name}'"
            ),
            "bytes are counted from 0 after the echoed identifier; mend this or answer_bytes of the request",
        );
    }
    Some(())
}

fn not_negative(given: Option<f64>, key: &str, pointer: &str, findings: &mut Findings<'_>) -> Option<f64> {
    let value = given.unwrap_or(0.0);
    if value < 0.0 {
        findings.problem(
            &below(pointer, key),
            format!("{key} is {value}, and no spread can be negative"),
            "give it in the channel's unit as 0 or more",
        );
        return None;
    }
    Some(value)
}

/// Values and counts that no reading can ever have are slips of scaling.
fn reachable(channel: &Channel, plausible_ordered: bool, pointer: &str, findings: &mut Findings<'_>) {
    let ((low, high), (lowest, highest)) = (channel.plausible, channel.reach());
    if plausible_ordered && (high < lowest || low > highest) {
        findings.problem(
            &below(pointer, "plausible"),
            format!("no count reaches {low} to {high}: the channel reads from {lowest} to {highest}"),
            "mend the range, or factor and offset",
        );
    }
    let (first, last) = channel.counts();
    if let Some(count) = channel.not_available.iter().find(|count| !(first..=last).contains(*count)) {
        findings.problem(
            &below(pointer, "not_available"),
            format!("the count {count} cannot occur: counts run from {first} to {last}"),
            "give counts as they come over the wire",
        );
    }
}
