//! Bad manners of the controller, on demand.

/// A fault of the controller's manners. Counted ones wear off by themselves.
///
/// A controller that exchanges single bytes has no words for some of them: it does not answer when it is busy,
/// answers other bytes where a checksum would be wrong, refuses to be held where the refused service is the first byte
/// of that request, and never says that its answer is pending.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum ControllerFault {
    /// Hears nothing and answers nothing for this many nanoseconds; its time-outs go on.
    Silent {
        /// How long, in nanoseconds.
        lasting: i64,
    },
    /// Answers the next requests with "busy, repeat request" (21) and does not carry them out.
    Busy {
        /// How many requests.
        times: u32,
    },
    /// Answers the next request with "response pending" (78) this many times before the answer proper.
    Pending {
        /// How many times.
        times: u32,
    },
    /// Sends the next messages with a wrong checksum.
    CorruptChecksums {
        /// How many messages.
        times: u32,
    },
    /// Carries the next requests out but does not send the answers.
    LoseAnswers {
        /// How many messages.
        times: u32,
    },
    /// Sends the next answers late.
    SlowAnswers {
        /// How much later than it would have, in nanoseconds.
        by: i64,
        /// How many answers.
        times: u32,
    },
    /// Refuses a service with this negative response code from now on.
    Refuse {
        /// The service identifier.
        service: u8,
        /// The negative response code.
        code: u8,
    },
    /// Restarts at once: communication, session, timing and every control are gone.
    Reset,
    /// Ends every fault above.
    Mend,
}

/// The bad manners in force.
#[derive(Debug, Default)]
pub(crate) struct Trouble {
    pub(crate) silent_until: Option<i64>,
    busy: u32,
    pending: u32,
    corrupt: u32,
    lose: u32,
    slow: u32,
    slow_by: i64,
    refused: std::collections::BTreeMap<u8, u8>,
}

impl Trouble {
    /// Takes a fault in; a restart is the controller's own affair.
    pub(crate) fn add(&mut self, now: i64, fault: ControllerFault) {
        match fault {
            ControllerFault::Silent { lasting } => self.silent_until = Some(now.saturating_add(lasting)),
            ControllerFault::Busy { times } => self.busy = times,
            ControllerFault::Pending { times } => self.pending = times,
            ControllerFault::CorruptChecksums { times } => self.corrupt = times,
            ControllerFault::LoseAnswers { times } => self.lose = times,
            ControllerFault::SlowAnswers { by, times } => (self.slow_by, self.slow) = (by.max(0), times),
            ControllerFault::Refuse { service, code } => {
                self.refused.insert(service, code);
            }
            ControllerFault::Mend => *self = Self::default(),
            ControllerFault::Reset => {}
        }
    }

    pub(crate) fn is_silent(&self, at: i64) -> bool {
        self.silent_until.is_some_and(|until| at < until)
    }

    pub(crate) fn refusal(&self, service: u8) -> Option<u8> {
        self.refused.get(&service).copied()
    }

    pub(crate) fn takes_busy(&mut self) -> bool {
        take_one(&mut self.busy)
    }

    pub(crate) fn takes_corrupt(&mut self) -> bool {
        take_one(&mut self.corrupt)
    }

    pub(crate) fn takes_lost(&mut self) -> bool {
        take_one(&mut self.lose)
    }

    pub(crate) fn takes_pending(&mut self) -> u32 {
        std::mem::take(&mut self.pending)
    }

    pub(crate) fn takes_delay(&mut self) -> i64 {
        if take_one(&mut self.slow) { self.slow_by } else { 0 }
    }
}

fn take_one(count: &mut u32) -> bool {
    let any = *count > 0;
    *count = count.saturating_sub(1);
    any
}
