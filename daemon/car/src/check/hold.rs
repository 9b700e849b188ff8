//! The requests that take an output over and give it back.
//!
//! ISO 14230-3, services 2F and 30 (from memory): the identifier (two bytes, one byte) is followed by the
//! inputOutputControlParameter: 00 returnControlToECU, 01 reportCurrentState, 07 shortTermAdjustment,
//! 08 longTermAdjustment. ISO 14229 gives 01, 02 and 03 other meanings, so a byte copied from there would do
//! something else here; every parameter is therefore checked.

use crate::check::bytes::{self, Written};
use crate::raw::RawOutput;
use crate::read::findings::Findings;
use crate::read::source::below;
use crate::resolved::output::{AnswerForm, Report, Template};
use crate::resolved::request::{hex, positive_prefix};

/// The checked requests of an output.
#[derive(Debug)]
pub(crate) struct Hold {
    pub(crate) engage: Template,
    pub(crate) engage_answer: AnswerForm,
    pub(crate) release: Vec<u8>,
    pub(crate) release_answer: AnswerForm,
    pub(crate) report: Option<Report>,
}

/// Service and identifier, and the parameter after them.
#[derive(Debug)]
struct Control {
    written: Written,
    /// Length of service, identifier and parameter together.
    head: usize,
}

impl Control {
    fn addressed(&self) -> &[u8] {
        &self.written.bytes[..self.head - 1]
    }

    fn parameter(&self) -> u8 {
        self.written.bytes[self.head - 1]
    }
}

pub(crate) fn resolve(raw: &RawOutput, pointer: &str, findings: &mut Findings<'_>) -> Option<Hold> {
    let engage_at = below(pointer, "engage");
    let release_at = below(pointer, "release");
    let report_at = below(&below(pointer, "report"), "bytes");
    let engage = raw.engage.as_deref().and_then(|text| control(text, true, &engage_at, findings));
    let release = raw.release.as_deref().and_then(|text| control(text, false, &release_at, findings));
    let report = raw.report.as_ref().map(|report| {
        let control = report.bytes.as_deref().and_then(|text| control(text, false, &report_at, findings));
        control.zip(report.value_at.zip(report.held_at))
    });

    if let Some(engage) = &engage {
        check_engage(engage, &engage_at, findings);
        if let Some(release) = &release {
            same_target(engage, release, &release_at, findings);
        }
        if let Some(Some((report, _))) = &report {
            same_target(engage, report, &report_at, findings);
        }
    }
    if let Some(release) = &release {
        parameter(release, 0x00, "returnControlToECU", &release_at, findings);
    }
    if let Some(Some((report, _))) = &report {
        parameter(report, 0x01, "reportCurrentState", &report_at, findings);
    }

    let report = match report {
        None => None,
        Some(report) => {
            let (control, (value_at, held_at)) = report?;
            let prefix = positive_prefix(&control.written.bytes[..control.head]);
            let (value_at, held_at) = (usize::from(value_at), usize::from(held_at));
            Some(Report { bytes: control.written.bytes, prefix, value_at, held_at })
        }
    };
    let (engage, release) = (engage?, release?);
    let (before, after) = engage.written.bytes.split_at(engage.written.gap?);
    Some(Hold {
        engage_answer: echoing(&engage),
        engage: Template { before: before.to_vec(), after: after.to_vec() },
        release_answer: echoing(&release),
        release: release.written.bytes,
        report,
    })
}

/// A positive answer echoes service, identifier and parameter; its message tells its own length.
fn echoing(control: &Control) -> AnswerForm {
    AnswerForm { begins: positive_prefix(&control.written.bytes[..control.head]), length: None }
}

fn control(text: &str, gap: bool, pointer: &str, findings: &mut Findings<'_>) -> Option<Control> {
    let written = bytes::read(text, gap, pointer, findings)?;
    let head = match written.bytes[0] {
        0x30 => 3,
        0x2F => 4,
        service => {
            findings.problem(
                pointer,
                format!("service {service:02X} does not control an output"),
                "use service 30 (local identifier) or 2F (common identifier) of ISO 14230-3",
            );
            return None;
        }
    };
    if written.bytes.len() < head || written.gap.is_some_and(|gap| gap < head) {
        findings.problem(
            pointer,
            format!("service {:02X} is followed by {} byte(s) of identifier and a control parameter, which are not all there", written.bytes[0], head - 2),
            "write service, identifier, control parameter, then what else is sent",
        );
        return None;
    }
    Some(Control { written, head })
}

fn check_engage(engage: &Control, pointer: &str, findings: &mut Findings<'_>) {
    if engage.written.gap.is_none() {
        findings.problem(
            pointer,
            "the engage request has no {value}",
            "put {value} where the count goes, as in \"30 51 07 {value}\"",
        );
    }
    match engage.parameter() {
        0x08 => findings.problem(
            pointer,
            "control parameter 08 is longTermAdjustment, which outlives every session",
            "a hold must end by itself: use 07, shortTermAdjustment",
        ),
        _ => parameter(engage, 0x07, "shortTermAdjustment", pointer, findings),
    }
}

fn parameter(control: &Control, wanted: u8, name: &str, pointer: &str, findings: &mut Findings<'_>) {
    let seen = control.parameter();
    if seen != wanted {
        findings.problem(
            pointer,
            format!("the control parameter is {seen:02X}"),
            format!("ISO 14230-3 has {wanted:02X} for {name}; ISO 14229 numbers them otherwise"),
        );
    }
}

fn same_target(engage: &Control, other: &Control, pointer: &str, findings: &mut Findings<'_>) {
    if engage.addressed() != other.addressed() {
        findings.problem(
            pointer,
            format!(
                "it speaks of {}, the engage request of {}",
                hex(other.addressed()),
                hex(engage.addressed())
            ),
            "all requests of an output have the same service and identifier",
        );
    }
}
