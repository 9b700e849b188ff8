//! Working on a request: waiting, carrying out, answering, and what follows the answer.

use line::End;

use super::codes::RETURNS_AFTER;
use super::frame::{Addressing, Frame, encode};
use super::sensors::through_sensors;
use super::services::{Circumstances, Effect, refusal, serve};
use super::timing::MS;
use super::{Around, Communication, Controller, EMISSIONS, STANDARD, release};
use crate::happened::{Happened, Why};

/// The controller's gap between two bytes of an answer, in nanoseconds, and how far it strays. Estimate;
/// P1max is 20 ms (ISO 14230-2).
const P1: (f64, f64) = (0.9e6, 1.1e6);
/// Controllers with long P2max still answer soon: no more than this beyond P2min. Estimate.
const P2_SPREAD: i64 = 200 * MS;
/// Time to the next message after "response pending", which P3max bounds (EU 2016/799, Annex IC, App. 7
/// 2.2.4). Estimate.
const PENDING_WAIT: (f64, f64) = (60.0e6, 400.0e6);

/// What the controller is doing about a request.
#[derive(Debug, Clone, PartialEq)]
pub(super) enum Work {
    /// Nothing.
    Idle,
    /// Will carry it out at `acts_at` and answer from `sends_at` on.
    Thinking { acts_at: i64, sends_at: i64, pending: u32 },
    /// Has carried it out; will send `bytes` from `sends_at` on.
    Ready { sends_at: i64, bytes: Vec<u8>, then: Then },
    /// Sends until `ends_at`.
    Sending { starts_at: i64, ends_at: i64, bytes: Vec<u8>, then: Then },
}

/// What follows a message.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Then {
    /// Communication waits for the next request.
    Rest,
    /// Other messages of the same answer, or "response pending" this many times and then the answer.
    Again { pending: u32 },
    /// The effect of a request that comes after its answer.
    Do(Effect),
}

impl Work {
    pub(super) fn deadline(&self) -> Option<i64> {
        match self {
            Self::Idle => None,
            Self::Thinking { acts_at, .. } => Some(*acts_at),
            Self::Ready { sends_at, .. } => Some(*sends_at),
            Self::Sending { ends_at, .. } => Some(*ends_at),
        }
    }

    /// The earliest moment at which a new message could begin.
    pub(super) fn next_sending(&self, p2_min: i64) -> Option<i64> {
        match self {
            Self::Idle | Self::Sending { then: Then::Rest | Then::Do(_), .. } => None,
            Self::Thinking { sends_at, .. } | Self::Ready { sends_at, .. } => Some(*sends_at),
            Self::Sending { ends_at, .. } => Some(ends_at.saturating_add(p2_min)),
        }
    }

    /// The time from the end of this work, as far as known, to `start`: negative before it.
    pub(super) fn until_end(&self, start: i64) -> i64 {
        start.saturating_sub(self.deadline().unwrap_or(start))
    }
}

impl Controller {
    /// Begins to work on the request whose last byte ended at `ended`.
    pub(super) fn begin(&mut self, ended: i64) {
        let pending = self.trouble.takes_pending();
        self.think(ended, self.timing.p2_min, pending);
    }

    /// Does the part of the work that is due at `now`.
    pub(super) fn go_on(&mut self, now: i64, around: &mut Around<'_>) {
        match std::mem::replace(&mut self.work, Work::Idle) {
            Work::Idle => {}
            Work::Thinking { sends_at, pending, .. } if pending > 0 => {
                let service = self.request.data.first().copied().unwrap_or(0);
                self.answer.data.clear();
                self.answer.data.extend([0x7F, service, refusal::PENDING]);
                self.make_ready(sends_at, Then::Again { pending: pending - 1 });
            }
            Work::Thinking { sends_at, .. } => self.carry_out(now, sends_at, around),
            Work::Ready { sends_at, bytes, then } => self.send(sends_at, bytes, then, around),
            Work::Sending { starts_at, ends_at, bytes, then } => {
                self.last_traffic = ends_at;
                around.log.note(|| Happened::Sent { start: starts_at, end: ends_at, bytes });
                self.follow(ends_at, then, around);
            }
        }
    }

    /// Waits before the answer. Most answers come soon after the shortest time, few take the whole of it.
    fn think(&mut self, ended: i64, shortest: i64, pending: u32) {
        let spread = (self.timing.p2_max - self.timing.p2_min).clamp(0, P2_SPREAD) as f64 * 0.95;
        let late = if self.prompt { 0.0 } else { self.delays.unit() };
        let wait = shortest + (spread * late * late * late) as i64 + self.trouble.takes_delay();
        let share = self.delays.between((0.2, 0.9));
        let sends_at = ended.saturating_add(wait);
        self.work = Work::Thinking {
            acts_at: ended.saturating_add((wait as f64 * share) as i64).min(sends_at),
            sends_at,
            pending,
        };
    }

    fn carry_out(&mut self, now: i64, sends_at: i64, around: &mut Around<'_>) {
        if let Some(more) = self.answer.more.pop_front() {
            self.answer.data = more;
            let then = self.after_message();
            self.make_ready(sends_at, then);
            return;
        }
        let service = self.request.data.first().copied().unwrap_or(0);
        self.answer.data.clear();
        let served = if self.trouble.takes_busy() {
            Err(refusal::BUSY)
        } else if let Some(code) = self.trouble.refusal(service) {
            Err(code)
        } else {
            self.serve(now, around)
        };
        let functional = matches!(self.request.addressing, Addressing::Functional { target: EMISSIONS, .. });
        let then = match served {
            Err(_) if functional => None,
            Err(code) => {
                self.answer.more.clear();
                self.answer.data.clear();
                self.answer.data.extend([0x7F, service, code]);
                Some(Then::Rest)
            }
            Ok(effect) => self.have_effect(now, effect, around),
        };
        match then {
            Some(then) => self.make_ready(sends_at, then),
            None => self.quiet_since = self.last_request.unwrap_or(now),
        }
    }

    fn serve(&mut self, now: i64, around: &mut Around<'_>) -> Result<Effect, u8> {
        let session = match self.communication {
            Communication::Open(session) => session,
            _ => STANDARD,
        };
        let truth = around.engine.readings(now);
        let engine = &around.engine;
        let analog = through_sensors(&truth, &engine.parameters, engine.disturbance(), &mut self.sensors);
        let circumstances = Circumstances {
            now,
            session,
            timing: self.timing,
            default_timing: self.forms.default_timing(),
            key_bytes: self.key_bytes,
            held: engine.control.held,
            believed: engine.valve.believed,
            running: engine.is_running(),
            idle_active: engine.idle_control_active(),
            recognised_closed: engine.recognises_closed(),
            closed_switch: engine.closed_switch(),
            analog,
            frame: engine.frame.readings,
            codes: &self.codes,
            setup: &self.setup,
        };
        let served = serve(&self.request.data, &circumstances, &mut self.answer);
        if served.is_ok() && matches!(self.request.data[0], 0x01 | 0x21 | 0x22) {
            around.log.note(|| Happened::Sampled { at: now, truth, analog });
        }
        served
    }

    /// What happens when a request is carried out; returned is what follows its answer, `None` for no answer.
    fn have_effect(&mut self, now: i64, effect: Effect, around: &mut Around<'_>) -> Option<Then> {
        match effect {
            Effect::None => return Some(self.after_message()),
            Effect::Quiet => return None,
            Effect::SetTiming(_) | Effect::Stop => return Some(Then::Do(effect)),
            Effect::Hold(steps) => {
                around.engine.control.hold(Some(steps));
                around.log.note(|| Happened::Held { at: now, steps });
            }
            Effect::Release => release(now, Why::Request, around),
            Effect::EnterSession(kind) => {
                if self.communication != Communication::Open(kind) {
                    release(now, Why::SessionChange, around);
                    self.communication = Communication::Open(kind);
                }
                around.log.note(|| Happened::Session { at: now, kind });
            }
            Effect::ClearCodes => {
                self.codes.clear(now);
                around.engine.frame.take_at(now.saturating_add(RETURNS_AFTER));
                around.log.note(|| Happened::CodesCleared { at: now });
            }
            Effect::Open => {
                if !matches!(self.communication, Communication::Open(_)) {
                    self.communication = Communication::Open(STANDARD);
                    self.timing = self.forms.default_timing();
                }
                around.log.note(|| Happened::Opened { at: now });
            }
        }
        Some(Then::Rest)
    }

    fn after_message(&self) -> Then {
        if self.answer.more.is_empty() { Then::Rest } else { Then::Again { pending: 0 } }
    }

    /// Puts the answer's message together, in the form of the request as far as the key bytes offer it.
    fn make_ready(&mut self, sends_at: i64, then: Then) {
        let (addressed, tester) = match self.request.addressing {
            Addressing::None => (false, 0xF1),
            Addressing::Physical { source, .. } | Addressing::Functional { source, .. } => (true, source),
        };
        let (addressed, extra_length) = self.forms.answer(addressed, self.request.extra_length);
        let addressing = if addressed {
            Addressing::Physical { target: tester, source: self.address }
        } else {
            Addressing::None
        };
        let mut bytes = Vec::with_capacity(self.answer.data.len() + 5);
        encode(&Frame { addressing, extra_length, data: &self.answer.data }, &mut bytes);
        if self.trouble.takes_corrupt() {
            let last = bytes.last_mut().expect("a message has a checksum");
            *last ^= 0x55;
        }
        self.work = Work::Ready { sends_at, bytes, then };
    }

    fn send(&mut self, sends_at: i64, bytes: Vec<u8>, then: Then, around: &mut Around<'_>) {
        if self.trouble.takes_lost() {
            around.log.note(|| Happened::Withheld { at: sends_at, bytes });
            self.follow(sends_at, then, around);
            return;
        }
        let (mut at, mut starts_at, mut ends_at) = (sends_at, i64::MAX, sends_at);
        for byte in &bytes {
            let (start, end) = around.line.write(End::Controller, at, *byte);
            starts_at = starts_at.min(start);
            ends_at = end;
            let gap = if self.prompt { 0 } else { self.delays.between(P1) as i64 };
            at = end.saturating_add(gap);
        }
        self.work = Work::Sending { starts_at, ends_at, bytes, then };
    }

    fn follow(&mut self, ended: i64, then: Then, around: &mut Around<'_>) {
        self.quiet_since = ended;
        match then {
            Then::Rest => {}
            Then::Again { pending } => {
                let shortest = if self.answer.more.is_empty() {
                    self.timing.p2_min.max(self.delays.between(PENDING_WAIT) as i64)
                } else {
                    self.timing.p2_min
                };
                self.think(ended, shortest, pending);
            }
            Then::Do(Effect::SetTiming(timing)) => {
                self.timing = timing;
                around.log.note(|| Happened::Timing { at: ended, bytes: timing.encode() });
            }
            Then::Do(Effect::Stop) => {
                self.idle_needed = self.timing.p3_min;
                self.close(ended, Why::StopCommunication, around);
            }
            Then::Do(_) => {}
        }
    }
}
