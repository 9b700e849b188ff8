//! The port under the wire's machines: set up, written, lost, and opened again.

use std::task::{Context, Poll};

use model::event::ReleaseCause;
use model::{Ending, Moment, Place, Problem, ProblemKind, Span};
use wire::Reason;
use wire::kline::{Received, Transmit};

use super::Driver;
use crate::transport::{Abilities, Reopen, Transport, TransportError};

/// So many failures of the port in a row, with nothing read between them, mean that it is gone (our choice, no
/// published source).
const MOST_FAILURES: u32 = 8;
/// The first pause before a lost port is tried again, and the longest; each is twice the one before. A plug that
/// sits again is found within two seconds, and a port that stays away costs one try in that time (our choice, no
/// published source).
const PAUSES: (Span, Span) = (Span::from_millis(50), Span::from_secs(2));

/// A port that is gone.
#[derive(Debug)]
struct Lost {
    retry_at: Moment,
    pause: Span,
    /// The reason why it cannot be opened was told.
    told: bool,
}

/// The port, open or lost.
pub(super) struct Port {
    /// None while it is lost: a lost port is closed, so that its name is free for the plug that comes back.
    transport: Option<Box<dyn Transport>>,
    abilities: Abilities,
    reopen: Option<Reopen>,
    lost: Option<Lost>,
    /// This side holds the line low.
    line_low: bool,
    /// Failures since something was read.
    failures: u32,
    /// When what is written next was due, and why.
    pub(super) due: Option<(Moment, Reason)>,
    /// It may be what panics: it is not touched any more.
    pub(super) shunned: bool,
}

impl Port {
    pub(super) fn new(transport: Box<dyn Transport>, reopen: Option<Reopen>) -> Self {
        Self {
            abilities: transport.abilities(),
            transport: Some(transport),
            reopen,
            lost: None,
            line_low: false,
            failures: 0,
            due: None,
            shunned: false,
        }
    }

    pub(super) fn abilities(&self) -> Abilities {
        self.abilities
    }

    pub(super) fn is_open(&self) -> bool {
        self.transport.is_some()
    }

    /// Something was read: the port works.
    pub(super) fn heard(&mut self) {
        self.failures = 0;
    }

    /// Closes it. It is tried again at a moment, or never.
    pub(super) fn close(&mut self, retry_at: Moment) {
        self.transport = None;
        self.line_low = false;
        self.failures = 0;
        self.lost = Some(Lost { retry_at, pause: PAUSES.0, told: false });
    }

    pub(super) fn next_arrival(&self) -> Moment {
        self.transport.as_ref().and_then(|transport| transport.next_arrival()).unwrap_or(Moment::NEVER)
    }

    pub(super) fn poll_read(
        &mut self,
        context: &mut Context<'_>,
        now: Moment,
        into: &mut Vec<Received>,
    ) -> Poll<Result<(), TransportError>> {
        self.transport.as_mut().map_or(Poll::Pending, |transport| transport.poll_read(context, now, into))
    }
}

impl Driver {
    pub(super) fn set_up_port(&mut self, now: Moment) -> Result<(), TransportError> {
        let baud = self.description.link.baud;
        if let Some(transport) = &mut self.port.transport {
            let achieved = transport.set_baud(now, baud)?;
            // A receiver samples the last bit of a character in its middle: 5 % of error is the most it bears.
            if achieved.abs_diff(baud) * 20 > baud {
                let why = format!("it offers {achieved} Bd where {baud} Bd are needed");
                return Err(TransportError::Unable { what: "set the rate", why });
            }
        }
        self.let_line_go(now)?;
        self.purge_port(now)
    }

    pub(super) fn purge_port(&mut self, now: Moment) -> Result<(), TransportError> {
        self.inbox.clear();
        self.port.transport.as_mut().map_or(Ok(()), |transport| transport.purge(now))
    }

    /// What a port that is gone was to send is lost; the machines' own deadlines then find out.
    pub(super) fn transmit(&mut self, now: Moment, transmit: Transmit) -> Result<(), TransportError> {
        let Some(transport) = &mut self.port.transport else { return Ok(()) };
        match transmit {
            Transmit::Byte(byte) => {
                transport.write(now, &[byte])?;
                if let Some((due, reason)) = self.port.due.take() {
                    self.times.spoke(reason == Reason::ByteGap, self.clock.now().since(due));
                }
                Ok(())
            }
            Transmit::Low => {
                self.port.line_low = true;
                transport.set_level(now, true).map(|_| ())
            }
            Transmit::High => self.let_line_go(now),
        }
    }

    /// A line that stayed low would keep everybody else on it from speaking.
    pub(super) fn let_line_go(&mut self, now: Moment) -> Result<(), TransportError> {
        if std::mem::take(&mut self.port.line_low)
            && let Some(transport) = &mut self.port.transport
        {
            transport.set_level(now, false)?;
        }
        Ok(())
    }

    /// The port failed. One that is gone, or fails again and again, is closed; what is held is then left to the
    /// controller's own timeout, because nothing reaches it from here, unless the port comes back in time for its
    /// release. Without a way to open it again the run ends.
    pub(super) fn transport_lost(&mut self, now: Moment, error: &TransportError) {
        if !self.port.is_open() {
            return;
        }
        self.port.failures += 1;
        let gone = matches!(error, TransportError::Gone(_)) || self.port.failures >= MOST_FAILURES;
        self.conductor.transport_lost(now, &error.to_string(), ReleaseCause::LinkLost);
        if !gone {
            return;
        }
        tracing::warn!(%error, "the port is lost");
        self.conductor.transport_away();
        if self.port.reopen.is_some() {
            self.port.close(now + PAUSES.0);
        } else {
            self.port.close(Moment::NEVER);
            self.give_port_up(now, &error.to_string());
        }
    }

    fn give_port_up(&mut self, now: Moment, why: &str) {
        let cure = "plug the adapter in again and check its cable";
        self.tell(now, Problem::new(ProblemKind::Link, Place::Wire, why, cure));
        self.end_run(now, Ending::LinkLost, why, ReleaseCause::LinkLost);
    }

    /// When a lost port is tried again. A run that is over needs it only for what is still held.
    pub(super) fn reopen_deadline(&self) -> Moment {
        let Some(lost) = &self.port.lost else { return Moment::NEVER };
        if self.over.is_some() && self.conductor.holds().is_empty() { Moment::NEVER } else { lost.retry_at }
    }

    /// Opens a lost port again when it is time to.
    pub(super) fn reopen_if_due(&mut self, now: Moment) {
        if now < self.reopen_deadline() {
            return;
        }
        let Some(reopen) = &mut self.port.reopen else { return };
        match reopen(&self.clock) {
            Ok(transport) => {
                self.port.transport = Some(transport);
                match self.set_up_port(now) {
                    Ok(()) => {
                        self.port.lost = None;
                        tracing::info!("the port is there again");
                        self.conductor.transport_back(now);
                    }
                    Err(error) => self.not_yet(now, &error.to_string()),
                }
            }
            Err(problem) => self.not_yet(now, &problem.to_string()),
        }
    }

    fn not_yet(&mut self, now: Moment, why: &str) {
        let before = self.port.lost.take();
        let pause = before.as_ref().map_or(PAUSES.0, |lost| (lost.pause * 2).min(PAUSES.1));
        // The first tries find the plug out; what still stands in the way after them is worth a person's look.
        if pause >= PAUSES.1 && !before.as_ref().is_some_and(|lost| lost.told) {
            let cure = "plug the adapter in again, and end whatever else has its port open";
            self.tell(now, Problem::new(ProblemKind::Link, Place::Wire, why, cure));
        }
        let told = pause >= PAUSES.1;
        self.port.close(now + pause);
        self.port.lost = Some(Lost { retry_at: now + pause, pause, told });
    }
}
