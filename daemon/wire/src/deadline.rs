//! A moment by which something must be done, and why.

use model::Moment;

/// Why a machine waits: "why is this waiting?" always has an answer.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Reason {
    /// The bus must have been idle before a wake-up.
    BusIdle,
    /// The low part of a fast wake-up ends.
    WakeLow,
    /// The high part of a fast wake-up ends.
    WakeHigh,
    /// P4: the gap between two characters of a request.
    ByteGap,
    /// P3min: the gap before the next request.
    RequestGap,
    /// P2max: the answer must have begun.
    Answer,
    /// P1max: the next character of an answer must have come.
    AnswerByte,
    /// P2max after the controller said that its answer is pending.
    Pending,
    /// The next reading is due.
    ReadDue,
    /// The session must be kept alive.
    KeepAlive,
    /// A hold must be refreshed.
    HoldRefresh,
    /// A hold's window ends: the release must leave now.
    HoldRelease,
    /// The controller's own timeout must have passed.
    ControllerTimeout,
    /// The time for confirming a release by its effect is over.
    HoldEffect,
    /// The next try to wake the controller.
    Retry,
}

/// A moment and its reason.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub struct Deadline {
    /// When.
    pub at: Moment,
    /// Why.
    pub reason: Reason,
}

impl Deadline {
    /// A deadline.
    pub fn new(at: Moment, reason: Reason) -> Self {
        Self { at, reason }
    }

    /// The earlier of two, either of which may be missing.
    pub fn earlier(a: Option<Self>, b: Option<Self>) -> Option<Self> {
        match (a, b) {
            (Some(a), Some(b)) => Some(a.min(b)),
            (a, b) => a.or(b),
        }
    }
}
