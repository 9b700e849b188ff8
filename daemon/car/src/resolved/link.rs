//! How the controller is reached.

use model::Span;

use crate::words::{Addressing, Dialect, Echo, HeaderForm, Wakeup};

/// How the controller is reached.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Link {
    /// How the controller is woken.
    pub wakeup: Wakeup,
    /// Bits per second.
    pub baud: u32,
    /// Whether the adapter gives back what is sent.
    pub echo: Echo,
    /// When the controller itself drops its session and every control.
    pub controller_timeout: ControllerTimeout,
    /// What is spoken.
    pub protocol: Protocol,
}

/// What is spoken on the wire, with what must be known of it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Protocol {
    /// ISO 14230.
    Iso14230(Iso14230),
    /// Single bytes without frames.
    SingleByte(SingleByte),
}

/// What must be known of a controller that speaks ISO 14230.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Iso14230 {
    /// The controller's address.
    pub controller_address: u8,
    /// The tester's address.
    pub tester_address: u8,
    /// Physical or functional requests.
    pub addressing: Addressing,
    /// The header of requests.
    pub header: HeaderForm,
    /// The diagnostic session to ask for by service 10, if one is needed.
    pub session: Option<u8>,
    /// The timing in force from the wake-up on.
    pub timing: Timing,
    /// The timing to ask for by service 83 once the session stands, if any.
    pub fast_timing: Option<Timing>,
}

/// What must be known of a controller that exchanges single bytes.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct SingleByte {
    /// Longest time from a request to its answer, and between two bytes of an answer.
    pub answer: Span,
    /// Shortest gap between two bytes of a request.
    pub byte_gap: Span,
    /// Shortest time from an answer to the next request.
    pub request_gap: Span,
    /// The silence after which the controller has forgotten half a request.
    pub resync: Span,
    /// The request that shows whether the controller is there and keeps it from letting go, as a place in the
    /// description's list.
    pub keep_alive: usize,
}

impl Link {
    /// The protocol family.
    pub fn dialect(&self) -> Dialect {
        match self.protocol {
            Protocol::Iso14230(_) => Dialect::Iso14230,
            Protocol::SingleByte(_) => Dialect::SingleByte,
        }
    }

    /// What is known of ISO 14230, where that is spoken.
    pub fn iso14230(&self) -> Option<&Iso14230> {
        match &self.protocol {
            Protocol::Iso14230(iso) => Some(iso),
            Protocol::SingleByte(_) => None,
        }
    }

    /// The longest silence that keeps the session and its controls alive: the controller's own time-out or, in ISO
    /// 14230, the shortest P3max that can be in force, whichever is shorter. [`Span::MAX`] where nothing ends them.
    pub fn longest_silence(&self) -> Span {
        let p3_max = self.iso14230().map_or(Span::MAX, |iso| {
            iso.fast_timing.map_or(iso.timing.p3_max, |fast| fast.p3_max.min(iso.timing.p3_max))
        });
        match self.controller_timeout {
            ControllerTimeout::After(timeout) => timeout.min(p3_max),
            ControllerTimeout::Never => p3_max,
        }
    }
}

/// When the controller itself, without hearing a request, drops its session and every control.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum ControllerTimeout {
    /// After this long.
    After(Span),
    /// Never: with the cable out, only switching the key off releases an output.
    Never,
}

/// The times of ISO 14230-2.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Timing {
    /// Longest gap between two bytes of an answer.
    pub p1_max: Span,
    /// Shortest time from request to answer.
    pub p2_min: Span,
    /// Longest time from request to answer.
    pub p2_max: Span,
    /// Shortest time from an answer to the next request.
    pub p3_min: Span,
    /// Longest time from an answer to the next request.
    pub p3_max: Span,
    /// Shortest gap between two bytes of a request.
    pub p4_min: Span,
}

impl Timing {
    /// The default of ISO 14230-2: P1 up to 20 ms, P2 25 to 50 ms (from memory), P3 55 to 5000 ms, P4 from 5 ms.
    /// P1, P3 and P4 as printed in Commission Implementing Regulation (EU) 2016/799, Annex IC, appendix 8,
    /// table 4; that table widens P2max to 250 ms.
    pub const DEFAULT: Self = Self {
        p1_max: Span::from_millis(20),
        p2_min: Span::from_millis(25),
        p2_max: Span::from_millis(50),
        p3_min: Span::from_millis(55),
        p3_max: Span::from_millis(5_000),
        p4_min: Span::from_millis(5),
    };

    /// P4max, which no service changes: 20 ms (same table).
    pub const P4_MAX: Span = Span::from_millis(20);
}
