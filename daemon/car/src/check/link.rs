//! How the controller is reached.

use model::Span;

use crate::check::names::Names;
use crate::check::{dialect, timing};
use crate::raw::{RawLink, RawTimeout};
use crate::read::findings::Findings;
use crate::read::source::below;
use crate::resolved::link::{ControllerTimeout, Iso14230, Link, Protocol, SingleByte};
use crate::words::{Addressing, Dialect, Echo, HeaderForm};

pub(crate) fn resolve(raw: &RawLink, requests: &Names<'_>, findings: &mut Findings<'_>) -> Option<Link> {
    let dialect = raw.dialect;
    if let Some(dialect) = dialect {
        dialect::check_link(raw, dialect, findings);
    }
    let timeout = raw.controller_timeout_ms.as_ref().map(|raw| match raw {
        RawTimeout::Milliseconds(ms) => ControllerTimeout::After(Span::from_millis(i64::from(*ms))),
        RawTimeout::Never(_) => ControllerTimeout::Never,
    });
    if timeout == Some(ControllerTimeout::Never) {
        findings.warn(
            "/link/controller_timeout_ms",
            "THIS CONTROLLER NEVER LETS GO BY ITSELF: if the cable comes out while an output is held, it stays held",
            "only key off releases it then: keep a hand near the key during every hold",
        );
    }
    let protocol = match dialect? {
        Dialect::Iso14230 => iso14230(raw, timeout, findings).map(Protocol::Iso14230),
        Dialect::SingleByte => single_byte(raw, timeout, requests, findings).map(Protocol::SingleByte),
    };
    Some(Link {
        wakeup: raw.wakeup?,
        baud: raw.baud?,
        echo: raw.echo.unwrap_or(Echo::Expected),
        controller_timeout: timeout?,
        protocol: protocol?,
    })
}

fn iso14230(
    raw: &RawLink,
    timeout: Option<ControllerTimeout>,
    findings: &mut Findings<'_>,
) -> Option<Iso14230> {
    let timing = timing::resolve(raw.timing.as_ref(), findings);
    let p1_max = timing.map_or(Span::ZERO, |timing| timing.p1_max);
    let fast = raw.fast_timing.as_ref().map(|raw| timing::resolve_fast(raw, p1_max, findings));
    if let (Some(controller), Some(tester)) = (raw.controller_address, raw.tester_address)
        && controller == tester
    {
        findings.problem(
            "/link/tester_address",
            format!("the tester has the controller's own address, 0x{tester:02X}"),
            "give the tester another; 0xF1 is common practice",
        );
    }
    if let (Some(ControllerTimeout::After(timeout)), Some(timing)) = (timeout, timing)
        && timeout <= timing.p3_min
    {
        findings.problem(
            "/link/controller_timeout_ms",
            format!(
                "the controller drops its session after {timeout}, and no request may follow before p3_min"
            ),
            format!("give the time without a request, longer than {}", timing.p3_min),
        );
    }
    let fast_timing = match fast {
        Some(fast) => Some(fast?),
        None => None,
    };
    Some(Iso14230 {
        controller_address: raw.controller_address?,
        tester_address: raw.tester_address?,
        addressing: raw.addressing.unwrap_or(Addressing::Physical),
        header: raw.header.unwrap_or(HeaderForm::Auto),
        session: raw.session,
        timing: timing?,
        fast_timing,
    })
}

fn single_byte(
    raw: &RawLink,
    timeout: Option<ControllerTimeout>,
    requests: &Names<'_>,
    findings: &mut Findings<'_>,
) -> Option<SingleByte> {
    const TABLE: &str = "/link/single_byte";
    let raw = raw.single_byte.as_ref()?;
    let name = raw.keep_alive.as_deref();
    let keep_alive =
        name.and_then(|name| requests.find(name, "request", &below(TABLE, "keep_alive"), findings));
    let millis = |ms: f64| Span::from_secs_f64(ms * 1e-3);
    let gap = |given: Option<f64>| millis(given.unwrap_or(0.0));
    let (answer, resync) = (raw.answer_ms.map(millis), raw.resync_ms.map(millis));
    for (key, span) in [("answer_ms", answer), ("resync_ms", resync)] {
        if span.is_some_and(|span| span <= Span::ZERO) {
            findings.problem(&below(TABLE, key), format!("{key} is 0"), "give a time above 0");
        }
    }
    let (byte_gap, request_gap) = (gap(raw.byte_gap_ms), gap(raw.request_gap_ms));
    if let Some(resync) = resync.filter(|resync| *resync > Span::ZERO && byte_gap >= *resync) {
        findings.problem(
            &below(TABLE, "byte_gap_ms"),
            format!("byte_gap_ms is {byte_gap}, and the controller forgets half a request after {resync}"),
            "leave a shorter gap between the bytes of a request",
        );
    }
    if let (Some(ControllerTimeout::After(timeout)), Some(resync)) = (timeout, resync)
        && timeout <= resync.max(request_gap)
    {
        findings.problem(
            "/link/controller_timeout_ms",
            format!(
                "the controller lets go after {timeout}, and no request may follow before {}",
                resync.max(request_gap)
            ),
            "give the time without a request, longer than resync_ms and request_gap_ms",
        );
    }
    Some(SingleByte { answer: answer?, byte_gap, request_gap, resync: resync?, keep_alive: keep_alive? })
}
