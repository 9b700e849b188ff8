//! The rules of ISO 14230-2 for times.

use model::Span;

use crate::raw::{RawFastTiming, RawTiming};
use crate::read::findings::Findings;
use crate::read::source::below;
use crate::resolved::link::Timing;

pub(crate) fn resolve(raw: Option<&RawTiming>, findings: &mut Findings<'_>) -> Option<Timing> {
    const TABLE: &str = "/link/timing";
    let none = RawTiming::default();
    let raw = raw.unwrap_or(&none);
    let or = |given: Option<f64>, default: Span| given.map_or(default, millis);
    let default = Timing::DEFAULT;
    let timing = Timing {
        p1_max: or(raw.p1_max, default.p1_max),
        p2_min: or(raw.p2_min, default.p2_min),
        p2_max: or(raw.p2_max, default.p2_max),
        p3_min: or(raw.p3_min, default.p3_min),
        p3_max: or(raw.p3_max, default.p3_max),
        p4_min: or(raw.p4_min, default.p4_min),
    };
    if raw.p1_max == Some(0.0) {
        findings.problem(
            &below(TABLE, "p1_max"),
            "p1_max is 0, so no answer of two bytes could arrive in time",
            "give the longest gap between two bytes of an answer; 20 ms is the default of ISO 14230-2",
        );
        return None;
    }
    ordered(TABLE, &timing, findings).then_some(timing)
}

/// The timing to ask for; the gap between answer bytes is not among what service 83 sets.
pub(crate) fn resolve_fast(raw: &RawFastTiming, p1_max: Span, findings: &mut Findings<'_>) -> Option<Timing> {
    const TABLE: &str = "/link/fast_timing";
    // Steps of the bytes of service 83: ISO 14230-2, 5.3, from memory; public texts differ on P2max.
    let fields = [
        ("p2_min", raw.p2_min, 0.5),
        ("p2_max", raw.p2_max, 25.0),
        ("p3_min", raw.p3_min, 0.5),
        ("p3_max", raw.p3_max, 250.0),
        ("p4_min", raw.p4_min, 0.5),
    ];
    let mut sendable = true;
    for (key, given, step) in fields {
        let Some(value) = given else { continue };
        if (value / step - (value / step).round()).abs() > 1e-9 {
            findings.problem(
                &below(TABLE, key),
                format!("{value} ms cannot be sent: service 83 carries {key} in steps of {step} ms"),
                format!("give a multiple of {step}"),
            );
            sendable = false;
        }
    }
    let timing = Timing {
        p1_max,
        p2_min: millis(raw.p2_min?),
        p2_max: millis(raw.p2_max?),
        p3_min: millis(raw.p3_min?),
        p3_max: millis(raw.p3_max?),
        p4_min: millis(raw.p4_min?),
    };
    (ordered(TABLE, &timing, findings) && sendable).then_some(timing)
}

/// Every minimum below its maximum, and P3min above P4min (ISO 14230-2, timing exceptions).
fn ordered(table: &str, timing: &Timing, findings: &mut Findings<'_>) -> bool {
    let rules = [
        ("p2_min", timing.p2_min, "p2_max", timing.p2_max),
        ("p3_min", timing.p3_min, "p3_max", timing.p3_max),
        ("p4_min", timing.p4_min, "P4max", Timing::P4_MAX),
        ("p4_min", timing.p4_min, "p3_min", timing.p3_min),
    ];
    let mut good = true;
    for (short_key, short, long_key, long) in rules {
        let told =
            findings.is_broken(&below(table, short_key)) || findings.is_broken(&below(table, long_key));
        if short < long || told {
            continue;
        }
        good = false;
        let written = |key: &str| findings.source().value().pointer(&below(table, key)).is_some();
        let say = |key: &str, span: Span| {
            let default = if written(key) { "" } else { " by default" };
            format!("{key} is {} ms{default}", span.as_millis_f64())
        };
        let key = if written(short_key) { short_key } else { long_key };
        findings.problem(
            &below(table, key),
            format!("{} and {}", say(short_key, short), say(long_key, long)),
            format!("ISO 14230-2 wants {short_key} below {long_key}"),
        );
    }
    good
}

fn millis(ms: f64) -> Span {
    Span::from_secs_f64(ms * 1e-3)
}
