//! What belongs to which dialect.

use crate::raw::{RawLink, RawOutput};
use crate::read::findings::Findings;
use crate::read::source::below;
use crate::words::{Dialect, Wakeup};

pub(crate) fn check_link(raw: &RawLink, dialect: Dialect, findings: &mut Findings<'_>) {
    const TABLE: &str = "/link";
    let iso = [
        ("controller_address", raw.controller_address.is_some()),
        ("tester_address", raw.tester_address.is_some()),
        ("addressing", raw.addressing.is_some()),
        ("header", raw.header.is_some()),
        ("session", raw.session.is_some()),
        ("timing", raw.timing.is_some()),
        ("fast_timing", raw.fast_timing.is_some()),
    ];
    match dialect {
        Dialect::Iso14230 => {
            foreign(&[("single_byte", raw.single_byte.is_some())], TABLE, Dialect::SingleByte, findings);
            needed(&iso[..1], TABLE, "the controller's address", dialect, findings);
            needed(&iso[1..2], TABLE, "the tester's address", dialect, findings);
        }
        Dialect::SingleByte => {
            foreign(&iso, TABLE, Dialect::Iso14230, findings);
            let own = [("single_byte", raw.single_byte.is_some())];
            needed(&own, TABLE, "a table with its times and what keeps it alive", dialect, findings);
            if raw.wakeup == Some(Wakeup::Fast) {
                findings.problem(
                    "/link/wakeup",
                    "the fast wake-up belongs to dialect \"iso14230\"",
                    "set wakeup = \"awake\": this controller answers as soon as it has power",
                );
            }
        }
    }
}

pub(crate) fn check_output(raw: &RawOutput, pointer: &str, dialect: Dialect, findings: &mut Findings<'_>) {
    let answers =
        [("engage_answer", raw.engage_answer.is_some()), ("release_answer", raw.release_answer.is_some())];
    match dialect {
        Dialect::Iso14230 => foreign(&answers, pointer, Dialect::SingleByte, findings),
        Dialect::SingleByte => {
            let iso = [("report", raw.report.is_some()), ("session", raw.session.is_some())];
            foreign(&iso, pointer, Dialect::Iso14230, findings);
            let what = "how many bytes it has and how it begins";
            needed(&answers, pointer, what, dialect, findings);
        }
    }
}

/// Tells keys that are given although they mean something only in another dialect.
fn foreign(keys: &[(&str, bool)], table: &str, whose: Dialect, findings: &mut Findings<'_>) {
    for (key, _) in keys.iter().filter(|(_, given)| *given) {
        findings.problem(
            &below(table, key),
            format!("{key} belongs to dialect \"{}\"", whose.word()),
            "take it out, or mend dialect in [link]",
        );
    }
}

/// Tells keys that are not there although this dialect cannot do without them.
fn needed(keys: &[(&str, bool)], table: &str, what: &str, dialect: Dialect, findings: &mut Findings<'_>) {
    for (key, _) in keys.iter().filter(|(_, given)| !*given) {
        let pointer = below(table, key);
        if !findings.is_broken(&pointer) {
            let seen = format!("'{key}' is missing, and dialect \"{}\" needs it", dialect.word());
            findings.problem(&pointer, seen, format!("add {key}: {what}"));
        }
    }
}
