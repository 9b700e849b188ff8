//! The byte sequences of controllers without frames that take an output over and give it back.
//!
//! No standard says what such a byte means, so nothing here can know a reading from a control: what is checked is
//! that the two are told apart by their bytes, and that there is a way to know that an output is back.

use crate::check::bytes;
use crate::check::hold::Hold;
use crate::raw::{RawAnswer, RawLink, RawOutput, RawTimeout};
use crate::read::findings::Findings;
use crate::read::source::below;
use crate::resolved::output::{AnswerForm, Template};
use crate::resolved::request::{ReadRequest, hex};

pub(crate) fn resolve(
    raw: &RawOutput,
    pointer: &str,
    link: &RawLink,
    findings: &mut Findings<'_>,
) -> Option<Hold> {
    let engage_at = below(pointer, "engage");
    let engage = raw.engage.as_deref().and_then(|text| bytes::read(text, true, &engage_at, findings));
    let release = raw
        .release
        .as_deref()
        .and_then(|text| bytes::read(text, false, &below(pointer, "release"), findings));
    let engage_answer = answer(raw.engage_answer.as_ref(), &below(pointer, "engage_answer"), findings);
    let release_answer = answer(raw.release_answer.as_ref(), &below(pointer, "release_answer"), findings);
    if let Some(engage) = &engage {
        match engage.gap {
            None => findings.problem(
                &engage_at,
                "the engage request has no {value}",
                "put {value} where the count goes, as in \"A0 {value}\"",
            ),
            Some(0) => findings.problem(
                &engage_at,
                "the engage request begins with {value}, so any byte could be its first",
                "begin with the byte that the controller knows it by",
            ),
            Some(_) => {}
        }
    }
    if let (Some(engage), Some(release)) = (&engage_answer, &release_answer) {
        // Where a channel shows the effect, no answer alone proves anything.
        if raw.confirm.is_none() && !findings.is_broken(&below(pointer, "confirm")) {
            tell_apart(engage, release, pointer, findings);
            known_to_be_back(release, pointer, link, findings);
        }
    }
    let (engage, release) = (engage?, release?);
    let (before, after) = engage.bytes.split_at(engage.gap?);
    Some(Hold {
        engage: Template { before: before.to_vec(), after: after.to_vec() },
        engage_answer: engage_answer?,
        release: release.bytes,
        release_answer: release_answer?,
        report: None,
    })
}

fn answer(raw: Option<&RawAnswer>, pointer: &str, findings: &mut Findings<'_>) -> Option<AnswerForm> {
    let raw = raw?;
    let begins_at = below(pointer, "begins");
    let begins = match raw.begins.as_deref() {
        Some(text) => bytes::read(text, false, &begins_at, findings)?.bytes,
        None if findings.is_broken(&begins_at) => return None,
        None => Vec::new(),
    };
    let length = usize::from(raw.bytes?);
    if begins.len() > length {
        findings.problem(
            &begins_at,
            format!("the answer begins with {} byte(s) and has {length}", begins.len()),
            "count the whole answer in bytes",
        );
        return None;
    }
    Some(AnswerForm { begins, length: Some(length) })
}

/// Nothing but its bytes shows which request an answer is to.
fn tell_apart(engage: &AnswerForm, release: &AnswerForm, pointer: &str, findings: &mut Findings<'_>) {
    let alike = engage.begins.iter().zip(&release.begins).all(|(a, b)| a == b);
    if alike && engage.length != Some(0) && release.length != Some(0) {
        findings.warn(
            &below(pointer, "release_answer"),
            "the answers to engage and release cannot be told apart: a late answer to the one may be taken for the \
             other",
            "give the bytes that they begin with, or a channel in confirm that shows the effect",
        );
    }
}

/// A release without an answer and without a channel that shows its effect is known only by the controller's own
/// timeout.
fn known_to_be_back(release: &AnswerForm, pointer: &str, link: &RawLink, findings: &mut Findings<'_>) {
    if release.length != Some(0) {
        return;
    }
    let at = below(pointer, "release_answer");
    let cure = "give a channel in confirm that shows the effect";
    match &link.controller_timeout_ms {
        Some(RawTimeout::Never(_)) => findings.problem(
            &at,
            "the release is not answered, no channel shows its effect, and the controller never lets go by itself: \
             nothing would ever say that the output is back",
            cure,
        ),
        _ => findings.warn(
            &at,
            "the release is not answered and no channel shows its effect: every release is followed by silence until \
             the controller's own timeout has passed",
            cure,
        ),
    }
}

/// A request that begins as an output's sequence does would take the output over, or be taken for half of it.
pub(crate) fn keep_apart(requests: &[ReadRequest], outputs: &[RawOutput], findings: &mut Findings<'_>) {
    for (o, output) in outputs.iter().enumerate() {
        for (key, text) in [("engage", &output.engage), ("release", &output.release)] {
            // Whatever is wrong with the text itself has been told.
            let Some(fixed) = text.as_deref().and_then(fixed_bytes) else { continue };
            let same = |request: &&ReadRequest| {
                request.bytes.iter().zip(&fixed).all(|(asked, control)| asked == control)
            };
            for request in requests.iter().filter(same) {
                findings.problem(
                    &format!("/output/{o}/{key}"),
                    format!(
                        "it begins as request '{}' does, {}: the controller cannot tell a reading from a control",
                        request.name,
                        hex(&request.bytes)
                    ),
                    "mend the bytes of one of them",
                );
            }
        }
    }
}

/// The bytes of a sequence up to its {value}.
fn fixed_bytes(text: &str) -> Option<Vec<u8>> {
    let words = text.split_whitespace().take_while(|word| !word.starts_with('{'));
    words.map(|word| u8::from_str_radix(word, 16).ok()).collect::<Option<Vec<u8>>>().filter(|b| !b.is_empty())
}
