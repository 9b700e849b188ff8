//! How the controller is reached.

use model::Span;

use crate::check::timing;
use crate::raw::{RawLink, RawTimeout};
use crate::read::findings::Findings;
use crate::resolved::link::{ControllerTimeout, Link};
use crate::words::{Addressing, Echo, HeaderForm};

pub(crate) fn resolve(raw: &RawLink, findings: &mut Findings<'_>) -> Option<Link> {
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
    let timeout = raw.controller_timeout_ms.as_ref().map(|raw| match raw {
        RawTimeout::Milliseconds(ms) => ControllerTimeout::After(Span::from_millis(i64::from(*ms))),
        RawTimeout::Never(_) => ControllerTimeout::Never,
    });
    match (timeout, timing) {
        (Some(ControllerTimeout::Never), _) => findings.warn(
            "/link/controller_timeout_ms",
            "THIS CONTROLLER NEVER LETS GO BY ITSELF: if the cable comes out while an output is held, it stays held",
            "only key off releases it then: keep a hand near the key during every hold",
        ),
        (Some(ControllerTimeout::After(timeout)), Some(timing)) if timeout <= timing.p3_min => findings.problem(
            "/link/controller_timeout_ms",
            format!("the controller drops its session after {timeout}, and no request may follow before p3_min"),
            format!("give the time without a request, longer than {}", timing.p3_min),
        ),
        _ => {}
    }
    let fast_timing = match fast {
        Some(fast) => Some(fast?),
        None => None,
    };
    Some(Link {
        dialect: raw.dialect?,
        wakeup: raw.wakeup?,
        baud: raw.baud?,
        controller_address: raw.controller_address?,
        tester_address: raw.tester_address?,
        addressing: raw.addressing.unwrap_or(Addressing::Physical),
        header: raw.header.unwrap_or(HeaderForm::Auto),
        session: raw.session,
        echo: raw.echo.unwrap_or(Echo::Expected),
        controller_timeout: timeout?,
        timing: timing?,
        fast_timing,
    })
}
