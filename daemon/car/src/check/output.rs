//! Controller outputs that can be held.

use std::collections::BTreeMap;

use model::{ChannelId, OutputId, Span};

use crate::check::names::Names;
use crate::check::{dialect, factor, given_or, hold, in_order, sequence, unit};
use crate::raw::{RawConfirm, RawLink, RawOutput, RawTimeout};
use crate::read::findings::Findings;
use crate::read::source::below;
use crate::resolved::channel::Channel;
use crate::resolved::output::{Confirm, Output, WHOLE};
use crate::resolved::request::count_limits;
use crate::words::Dialect;

/// What an output is checked against.
#[derive(Debug)]
pub(crate) struct Context<'a> {
    pub(crate) dialect: Option<Dialect>,
    pub(crate) link: Option<&'a RawLink>,
    pub(crate) channel_ids: &'a Names<'a>,
    pub(crate) channels: &'a BTreeMap<ChannelId, Channel>,
    pub(crate) longest_data: usize,
}

pub(crate) fn resolve(
    raw: &RawOutput,
    pointer: &str,
    context: &Context<'_>,
    findings: &mut Findings<'_>,
) -> Option<Output> {
    let hold = context.dialect.and_then(|spoken| {
        dialect::check_output(raw, pointer, spoken, findings);
        match spoken {
            Dialect::Iso14230 => hold::resolve(raw, pointer, findings),
            Dialect::SingleByte => sequence::resolve(raw, pointer, context.link?, findings),
        }
    });
    let unit = unit(raw.unit.as_deref(), pointer, findings);
    let factor = factor(raw.factor, pointer, findings);
    let range_ordered =
        raw.range.is_none_or(|[low, high]| in_order(low, high, &below(pointer, "range"), findings));
    let offset = given_or(raw.offset, 0.0, "offset", pointer, findings);
    let bytes = given_or(raw.bytes, 1, "bytes", pointer, findings).map(usize::from);
    let signed = given_or(raw.signed, false, "signed", pointer, findings);
    let range_fits = match (raw.range, factor, offset, bytes.zip(signed)) {
        (Some(range), Some(factor), Some(offset), Some((bytes, signed))) => {
            range_fits(range, (factor, offset), (bytes, signed), &below(pointer, "range"), findings)
        }
        _ => false,
    };
    let longest_hold = longest_hold(raw, pointer, findings);
    if let Some(link) = context.link {
        check_refresh(raw, pointer, link.controller_timeout_ms.as_ref(), findings);
        if context.dialect == Some(Dialect::Iso14230) {
            check_session(raw, pointer, link, findings);
        }
    }
    let confirm = raw.confirm.as_ref().map(|raw| confirm(raw, &below(pointer, "confirm"), context, findings));

    let hold = hold?;
    let [low, high] = raw.range?;
    let output = Output {
        id: OutputId::new(raw.id.as_deref()?).ok()?,
        title: raw.title.clone()?,
        unit: unit?,
        factor: factor?,
        offset: offset?,
        bytes: bytes?,
        signed: signed?,
        range: (low, high),
        longest_hold: longest_hold?,
        refresh: raw.refresh_ms.map(|ms| Span::from_millis(i64::from(ms))),
        reading_while_held: raw.reading_while_held?,
        confirm: match confirm {
            Some(confirm) => Some(confirm?),
            None => None,
        },
        report: hold.report,
        session: raw.session,
        engage: hold.engage,
        engage_answer: hold.engage_answer,
        release: hold.release,
        release_answer: hold.release_answer,
    };
    message_fits(&output, pointer, context.longest_data, findings);
    // Nothing else can be judged against a range that is wrong itself.
    (range_ordered && range_fits).then_some(output)
}

fn longest_hold(raw: &RawOutput, pointer: &str, findings: &mut Findings<'_>) -> Option<Span> {
    let span = Span::from_secs_f64(raw.longest_hold_s?);
    if span <= Span::ZERO {
        findings.problem(
            &below(pointer, "longest_hold_s"),
            "the longest hold is 0 s, so the output could never be held",
            "give the longest time in seconds that it may be held",
        );
        return None;
    }
    Some(span)
}

/// Without a request in time the controller lets go: the engage request must come again before that, and an
/// output that is neither refreshed nor read meanwhile cannot be held for longer.
fn check_refresh(
    raw: &RawOutput,
    pointer: &str,
    timeout: Option<&RawTimeout>,
    findings: &mut Findings<'_>,
) -> Option<()> {
    let RawTimeout::Milliseconds(timeout) = timeout? else { return None };
    match raw.refresh_ms {
        Some(refresh) if refresh >= *timeout => findings.problem(
            &below(pointer, "refresh_ms"),
            format!(
                "the hold is refreshed every {refresh} ms, and the controller lets go after {timeout} ms"
            ),
            "refresh sooner: half of controller_timeout_ms leaves room for one lost answer",
        ),
        None if raw.reading_while_held == Some(false)
            && !findings.is_broken(&below(pointer, "refresh_ms")) =>
        {
            let longest = raw.longest_hold_s?;
            if longest * 1e3 > f64::from(*timeout) {
                findings.problem(
                    &below(pointer, "longest_hold_s"),
                    format!(
                        "a hold of {longest} s is neither refreshed nor read meanwhile, and the controller lets go \
                         after {timeout} ms"
                    ),
                    "give refresh_ms, or a longest hold within controller_timeout_ms",
                );
            }
        }
        _ => {}
    }
    Some(())
}

/// The link starts one session and stays in it, so an output cannot need another.
fn check_session(raw: &RawOutput, pointer: &str, link: &RawLink, findings: &mut Findings<'_>) {
    let Some(needed) = raw.session else { return };
    if link.session == Some(needed) || findings.is_broken("/link/session") {
        return;
    }
    let started = link.session.map_or("no session".to_string(), |session| format!("session 0x{session:02X}"));
    findings.problem(
        &below(pointer, "session"),
        format!("the output needs session 0x{needed:02X}, and the link starts {started}"),
        format!("set session = 0x{needed:02X} in [link]"),
    );
}

fn confirm(
    raw: &RawConfirm,
    pointer: &str,
    context: &Context<'_>,
    findings: &mut Findings<'_>,
) -> Option<Confirm> {
    let name = raw.channel.as_deref();
    let known =
        name.and_then(|n| context.channel_ids.find(n, "channel", &below(pointer, "channel"), findings));
    let (held, released) = (raw.held?, raw.released?);
    if held == released {
        findings.problem(
            &below(pointer, "released"),
            format!("the channel shows {held} both while held and once released"),
            "give the two values that tell one from the other",
        );
    }
    known?;
    let id = ChannelId::new(name?).ok()?;
    if let Some(channel) = context.channels.get(&id) {
        let (low, high) = channel.reach();
        for (key, value) in [("held", held), ("released", released)] {
            if value < low || value > high {
                findings.problem(
                    &below(pointer, key),
                    format!("channel '{id}' never reads {value}: it reads from {low} to {high}"),
                    "give a value in the unit of the channel",
                );
            }
        }
    }
    Some(Confirm { channel: id, held, released })
}

/// Both ends must be counts that can be sent.
fn range_fits(
    range: [f64; 2],
    (factor, offset): (f64, f64),
    (bytes, signed): (usize, bool),
    pointer: &str,
    findings: &mut Findings<'_>,
) -> bool {
    let (first, last) = count_limits(bytes, signed);
    for end in range {
        let count = (end - offset) / factor;
        let off_step = (count - count.round()).abs() > WHOLE;
        if !off_step && count.round() >= first as f64 && count.round() <= last as f64 {
            continue;
        }
        let seen = if off_step {
            format!("{end} is count {count}, which is not a whole count")
        } else {
            format!("{end} is count {count}, and {bytes} byte(s) carry {first} to {last}")
        };
        findings.problem(pointer, seen, "mend the range, or factor, offset and bytes");
        return false;
    }
    true
}

fn message_fits(output: &Output, pointer: &str, longest_data: usize, findings: &mut Findings<'_>) {
    let length = output.engage.before.len() + output.bytes + output.engage.after.len();
    if length > longest_data {
        findings.problem(
            &below(pointer, "engage"),
            format!("the request has {length} bytes, and a message with this header carries {longest_data}"),
            "shorten it, or choose a header with a length byte",
        );
    }
}
