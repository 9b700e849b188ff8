//! The controller's end of a line without frames: a byte or a short sequence asks, a given number of bytes answers.
//!
//! It listens as soon as it has power, lets its valve go after two seconds without a request, and forgets half a
//! request after 30 ms. While it answers it hears nothing.

mod table;

use line::{Arrival, End, LowPulse};

use super::sensors::through_sensors;
use super::timing::{MS, POWER_ON_IDLE};
use super::trouble::{ControllerFault, Trouble};
use super::{Around, LONG_AGO, note_ignored, release};
use crate::config::{Manners, Rounding, WorldConfig};
use crate::happened::{Happened, Ignored, Why};
use crate::random::{Draws, Purpose};
use crate::truth::SessionState;

use table::{Circumstances, Effect, length, serve};

/// Half a request is forgotten after this much silence. Invented, as everything here.
const FORGETS_AFTER: i64 = 30 * MS;
/// Without a request for this long the valve is let go.
const LETS_GO_AFTER: i64 = 2_000 * MS;
/// The time from a request's end to the start of its answer.
const THINKS: (f64, f64) = (0.1e6, 2.5e6);
/// The gap between two bytes of an answer.
const PAUSES: (f64, f64) = (0.0, 0.2e6);

/// What the controller is doing about a request.
#[derive(Debug, Clone, PartialEq)]
enum Work {
    Idle,
    /// Will carry it out and answer at this moment.
    Thinking {
        sends_at: i64,
    },
    /// Sends until `ends_at`.
    Sending {
        starts_at: i64,
        ends_at: i64,
        bytes: Vec<u8>,
    },
}

#[derive(Debug)]
pub(crate) struct SingleController {
    prompt: bool,
    rounding: Rounding,
    manners: Manners,
    /// What has been heard of a request, and the end of its last byte.
    request: Vec<u8>,
    heard_until: i64,
    work: Work,
    last_request: Option<i64>,
    /// Since when nothing was asked, for letting go.
    quiet_since: i64,
    powered: bool,
    ready_at: i64,
    trouble: Trouble,
    delays: Draws,
    sensors: Draws,
}

impl SingleController {
    pub(crate) fn new(config: &WorldConfig) -> Self {
        Self {
            prompt: config.prompt,
            rounding: config.rounding,
            manners: config.manners,
            request: Vec::new(),
            heard_until: LONG_AGO,
            work: Work::Idle,
            last_request: None,
            quiet_since: LONG_AGO,
            powered: true,
            ready_at: LONG_AGO,
            trouble: Trouble::default(),
            delays: Draws::new(config.seed, Purpose::Controller),
            sensors: Draws::new(config.seed, Purpose::Sensors),
        }
    }

    /// It has no sessions: while it has power it does everything it can.
    pub(crate) fn session(&self) -> SessionState {
        if self.powered { SessionState::SetUp } else { SessionState::Asleep }
    }

    pub(crate) fn is_powered(&self) -> bool {
        self.powered
    }

    pub(crate) fn last_request(&self) -> Option<i64> {
        self.last_request
    }

    pub(crate) fn next_deadline(&self, character: i64, held: bool) -> Option<i64> {
        match self.work {
            Work::Thinking { sends_at } => Some(sends_at),
            Work::Sending { ends_at, .. } => Some(ends_at),
            // A request that began in time may finish: its last byte is known only when it has ended.
            Work::Idle if held => {
                Some(self.quiet_since.saturating_add(LETS_GO_AFTER).saturating_add(2 * character))
            }
            Work::Idle => None,
        }
    }

    pub(crate) fn next_sending(&self) -> Option<i64> {
        match self.work {
            Work::Thinking { sends_at } => Some(sends_at),
            Work::Idle | Work::Sending { .. } => None,
        }
    }

    pub(crate) fn act(&mut self, now: i64, around: &mut Around<'_>) {
        match std::mem::replace(&mut self.work, Work::Idle) {
            Work::Idle => {
                if around.engine.control.held.is_some() {
                    release(now, Why::Timeout, around);
                }
            }
            Work::Thinking { sends_at } => self.answer(sends_at, around),
            Work::Sending { starts_at, ends_at, bytes } => {
                self.quiet_since = ends_at;
                around.log.note(|| Happened::Sent { start: starts_at, end: ends_at, bytes });
            }
        }
    }

    pub(crate) fn hear(&mut self, arrival: Arrival, around: &mut Around<'_>) {
        if !self.powered || arrival.start < self.ready_at {
            return;
        }
        if self.work != Work::Idle {
            return note_ignored(around.log, arrival.end, Ignored::WhileAnswering(arrival.byte));
        }
        if !self.request.is_empty() && arrival.start.saturating_sub(self.heard_until) > FORGETS_AFTER {
            self.request.clear();
            note_ignored(around.log, arrival.start, Ignored::Unfinished);
        }
        self.heard_until = arrival.end;
        if arrival.framing_error {
            self.request.clear();
            return note_ignored(around.log, arrival.end, Ignored::Broken);
        }
        self.request.push(arrival.byte);
        match length(self.request[0]) {
            None => {
                let byte = self.request[0];
                self.request.clear();
                note_ignored(around.log, arrival.end, Ignored::Unknown(byte));
            }
            Some(length) if self.request.len() < length => {}
            Some(_) if self.trouble.is_silent(arrival.end) => {
                self.request.clear();
                note_ignored(around.log, arrival.end, Ignored::Silent);
            }
            Some(_) => self.take(arrival.end, around),
        }
    }

    fn take(&mut self, ended: i64, around: &mut Around<'_>) {
        self.last_request = Some(ended);
        self.quiet_since = ended;
        let bytes = &self.request;
        around.log.note(|| Happened::Request { at: ended, bytes: bytes.clone() });
        let thinks = if self.prompt { 0 } else { self.delays.between(THINKS) as i64 };
        let sends_at = ended.saturating_add(thinks).saturating_add(self.trouble.takes_delay());
        self.work = Work::Thinking { sends_at };
    }

    fn answer(&mut self, now: i64, around: &mut Around<'_>) {
        let truth = around.engine.readings(now);
        let engine = &around.engine;
        let analog = through_sensors(&truth, &engine.parameters, engine.disturbance(), &mut self.sensors);
        let mut bytes = Vec::new();
        let circumstances = Circumstances {
            held: engine.control.held,
            believed: engine.valve.believed,
            running: engine.is_running() && self.trouble.refusal(self.request[0]).is_none(),
            idle_active: engine.idle_control_active(),
            recognised_closed: engine.recognises_closed(),
            analog: &analog,
            rounding: self.rounding,
            manners: self.manners,
        };
        let effect = serve(&self.request, &circumstances, &mut bytes);
        self.request.clear();
        match effect {
            Effect::None => {}
            Effect::Sample => around.log.note(|| Happened::Sampled { at: now, truth, analog }),
            Effect::Hold(steps) => {
                around.engine.control.hold(Some(steps));
                around.log.note(|| Happened::Held { at: now, steps });
            }
            Effect::Release => release(now, Why::Request, around),
        }
        if self.trouble.takes_lost() || self.trouble.takes_busy() {
            around.log.note(|| Happened::Withheld { at: now, bytes });
            return;
        }
        if self.trouble.takes_corrupt() {
            bytes.iter_mut().for_each(|byte| *byte ^= 0x55);
        }
        self.send(now, bytes, around);
    }

    fn send(&mut self, now: i64, bytes: Vec<u8>, around: &mut Around<'_>) {
        let (mut at, mut starts_at, mut ends_at) = (now, i64::MAX, now);
        for byte in &bytes {
            let (start, end) = around.line.write(End::Controller, at, *byte);
            starts_at = starts_at.min(start);
            ends_at = end;
            let pause = if self.prompt { 0 } else { self.delays.between(PAUSES) as i64 };
            at = end.saturating_add(pause);
        }
        self.work = Work::Sending { starts_at, ends_at, bytes };
    }

    /// It knows no wake-up: a long low level is a byte that broke.
    pub(crate) fn see_pulse(&mut self, pulse: LowPulse, around: &mut Around<'_>) {
        if self.powered && pulse.start >= self.ready_at {
            self.request.clear();
            note_ignored(around.log, pulse.end, Ignored::Pulse(pulse.length()));
        }
    }

    pub(crate) fn power(&mut self, now: i64, on: bool, around: &mut Around<'_>) {
        if on == self.powered {
            return;
        }
        if on {
            self.ready_at = now.saturating_add(POWER_ON_IDLE);
        } else {
            self.fall_silent(now, Why::KeyOff, around);
        }
        self.powered = on;
    }

    pub(crate) fn brown_out(&mut self, now: i64, out: bool, around: &mut Around<'_>) {
        if out {
            self.fall_silent(now, Why::Reset, around);
            self.ready_at = i64::MAX;
        } else {
            self.ready_at = now.saturating_add(POWER_ON_IDLE);
        }
    }

    pub(crate) fn fault(&mut self, now: i64, fault: ControllerFault, around: &mut Around<'_>) {
        self.trouble.add(now, fault);
        if fault == ControllerFault::Reset && self.powered {
            self.fall_silent(now, Why::Reset, around);
            self.ready_at = now.saturating_add(POWER_ON_IDLE);
        }
    }

    fn fall_silent(&mut self, now: i64, why: Why, around: &mut Around<'_>) {
        around.line.abort(End::Controller, now);
        self.work = Work::Idle;
        self.request.clear();
        release(now, why, around);
    }
}
