//! The controller's end of the line: wake-up, communication, sessions, answers and their timing.

mod assembler;
mod codes;
mod data;
mod emissions;
mod form;
mod frame;
#[cfg(test)]
pub(crate) mod published;
pub(crate) mod sensors;
mod services;
mod single;
mod timing;
pub(crate) mod trouble;
pub(crate) mod unit;
mod work;

use line::{Arrival, End, Line, LowPulse};

use crate::config::WorldConfig;
use crate::engine::Engine;
use crate::fault::Severities;
use crate::happened::{Happened, Ignored, Log, Why};
use crate::random::{Draws, Purpose};
use crate::truth::SessionState;

use assembler::{Assembler, Heard, Step};
use codes::Codes;
use form::Forms;
use frame::{Addressing, decode};
use services::{Answer, SET_UP, STANDARD, Setup};
use timing::{P4_MAX, POWER_ON_IDLE, TOLERANCE, Timing, WAKE_LOW, WAKE_WHOLE};
use trouble::{ControllerFault, Trouble};
use work::Work;

/// The functional address of emission-related systems (ISO 14230-4).
const EMISSIONS: u8 = 0x33;
/// StartCommunication (ISO 14230-2).
const START_COMMUNICATION: u8 = 0x81;
/// Long before anything happened.
const LONG_AGO: i64 = i64::MIN / 4;

/// What the controller acts on.
#[derive(Debug)]
pub(crate) struct Around<'a> {
    pub(crate) line: &'a mut Line,
    pub(crate) engine: &'a mut Engine,
    pub(crate) log: &'a mut Log,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Communication {
    Asleep,
    /// Woken by a pulse that began at this moment.
    Roused(i64),
    /// Open, in this session.
    Open(u8),
}

#[derive(Debug)]
pub(crate) struct Controller {
    address: u8,
    key_bytes: [u8; 2],
    awake: bool,
    untimed: bool,
    /// It answers as fast as its timing allows.
    prompt: bool,
    forms: Forms,
    timing: Timing,
    communication: Communication,
    assembler: Assembler,
    work: Work,
    request: Request,
    answer: Answer,
    /// End of the last answer, or of the last request that wanted none.
    quiet_since: i64,
    /// End of the last character heard or sent, for the idle time before a wake-up.
    last_traffic: i64,
    idle_needed: i64,
    last_request: Option<i64>,
    powered: bool,
    ready_at: i64,
    trouble: Trouble,
    codes: Codes,
    setup: Setup,
    delays: Draws,
    sensors: Draws,
}

/// The request being worked on.
#[derive(Debug)]
struct Request {
    addressing: Addressing,
    extra_length: bool,
    data: Vec<u8>,
}

impl Controller {
    pub(crate) fn new(config: &WorldConfig, faults: &Severities) -> Self {
        let forms = Forms::of(config.key_bytes);
        Self {
            address: config.address,
            key_bytes: config.key_bytes,
            awake: config.awake,
            untimed: config.untimed,
            prompt: config.prompt,
            forms,
            timing: forms.default_timing(),
            communication: Communication::Asleep,
            assembler: Assembler::new(),
            work: Work::Idle,
            request: Request { addressing: Addressing::None, extra_length: false, data: Vec::new() },
            answer: Answer::default(),
            quiet_since: LONG_AGO,
            last_traffic: LONG_AGO,
            idle_needed: 0,
            last_request: None,
            powered: true,
            ready_at: LONG_AGO,
            trouble: Trouble::default(),
            codes: Codes::new(faults, config.air, &config.stored_codes),
            setup: Setup::of(config),
            delays: Draws::new(config.seed, Purpose::Controller),
            sensors: Draws::new(config.seed, Purpose::Sensors),
        }
    }

    pub(crate) fn session(&self) -> SessionState {
        match self.communication {
            Communication::Asleep => SessionState::Asleep,
            Communication::Roused(_) => SessionState::Roused,
            Communication::Open(SET_UP) => SessionState::SetUp,
            Communication::Open(_) => SessionState::Standard,
        }
    }

    pub(crate) fn is_powered(&self) -> bool {
        self.powered
    }

    pub(crate) fn last_request(&self) -> Option<i64> {
        self.last_request
    }

    /// The next moment at which the controller acts by itself, given the time of one character.
    pub(crate) fn next_deadline(&self, character: i64) -> Option<i64> {
        if let Some(at) = self.work.deadline() {
            return Some(at);
        }
        let limit = match self.communication {
            Communication::Asleep => return None,
            Communication::Roused(pulse) => pulse.saturating_add(WAKE_WHOLE.1 + TOLERANCE),
            Communication::Open(_) => self.quiet_since.saturating_add(self.timing.p3_max),
        };
        // A request that began in time may finish: its first character is known only when it has ended.
        let limit_heard = limit.saturating_add(character);
        match self.assembler.under_way() {
            Some((start, end)) if start <= limit => {
                Some(limit_heard.max(end + P4_MAX + character + TOLERANCE))
            }
            _ => Some(limit_heard),
        }
    }

    /// The earliest moment at which a character could begin to be sent, if nothing more is heard.
    pub(crate) fn next_sending(&self) -> Option<i64> {
        self.work.next_sending(self.timing.p2_min)
    }

    /// The shortest time from hearing a request's end to answering it.
    pub(crate) fn shortest_answer(&self) -> i64 {
        self.timing.p2_min
    }

    /// Does what is due at `now`.
    pub(crate) fn act(&mut self, now: i64, around: &mut Around<'_>) {
        if self.work.deadline().is_some() {
            self.go_on(now, around);
            return;
        }
        match self.communication {
            Communication::Asleep => {}
            Communication::Roused(_) => self.communication = Communication::Asleep,
            Communication::Open(_) => {
                self.idle_needed = 0;
                self.close(now, Why::Timeout, around);
            }
        }
    }

    /// Hears one character.
    pub(crate) fn hear(&mut self, arrival: Arrival, around: &mut Around<'_>) {
        if !self.powered || arrival.start < self.ready_at {
            return;
        }
        let is_break = arrival.framing_error && arrival.byte == 0;
        if !is_break {
            self.last_traffic = arrival.end;
        }
        match self.assembler.push(arrival, P4_MAX + TOLERANCE) {
            Step::More => {}
            Step::Unfinished => note_ignored(around.log, arrival.start, Ignored::Unfinished),
            Step::Senseless => note_ignored(around.log, arrival.end, Ignored::Broken),
            Step::Whole(heard) => match self.judge(heard) {
                Ok(()) => self.take_request(heard, around),
                Err(why) => {
                    if let Communication::Roused(_) = self.communication {
                        self.communication = Communication::Asleep;
                    }
                    note_ignored(around.log, heard.end, why);
                }
            },
        }
    }

    /// Sees the wire low for longer than a character.
    pub(crate) fn see_pulse(&mut self, pulse: LowPulse, around: &mut Around<'_>) {
        if !self.powered || pulse.start < self.ready_at || self.work != Work::Idle {
            return;
        }
        let idle = pulse.start.saturating_sub(self.last_traffic);
        if !(WAKE_LOW.0..=WAKE_LOW.1).contains(&pulse.length()) {
            note_ignored(around.log, pulse.end, Ignored::Pulse(pulse.length()));
        } else if idle < self.idle_needed - TOLERANCE {
            note_ignored(around.log, pulse.end, Ignored::NoIdle(idle));
        } else {
            if let Communication::Open(_) = self.communication {
                self.close(pulse.end, Why::SessionChange, around);
            }
            self.assembler.forget();
            self.communication = Communication::Roused(pulse.start);
            around.log.note(|| Happened::Woken { at: pulse.end });
        }
    }

    /// Power comes or goes with the key.
    pub(crate) fn power(&mut self, now: i64, on: bool, around: &mut Around<'_>) {
        if on == self.powered {
            return;
        }
        if on {
            self.start_up(now);
        } else {
            self.fall_silent(now, Why::KeyOff, around);
        }
        self.powered = on;
    }

    /// The voltage has fallen too low to go on, or has come back: then everything begins again.
    pub(crate) fn brown_out(&mut self, now: i64, out: bool, around: &mut Around<'_>) {
        if out {
            self.fall_silent(now, Why::Reset, around);
            self.ready_at = i64::MAX;
        } else {
            self.start_up(now);
        }
    }

    pub(crate) fn fault(&mut self, now: i64, fault: ControllerFault, around: &mut Around<'_>) {
        self.trouble.add(now, fault);
        if fault == ControllerFault::Reset && self.powered {
            self.fall_silent(now, Why::Reset, around);
            self.start_up(now);
        }
    }

    fn start_up(&mut self, now: i64) {
        self.ready_at = now.saturating_add(POWER_ON_IDLE);
        self.quiet_since = LONG_AGO;
        self.last_traffic = LONG_AGO;
        self.idle_needed = 0;
    }

    fn fall_silent(&mut self, now: i64, why: Why, around: &mut Around<'_>) {
        around.line.abort(End::Controller, now);
        self.work = Work::Idle;
        self.assembler.forget();
        self.close(now, why, around);
    }

    /// Ends communication: session, timing and every control fall back.
    fn close(&mut self, now: i64, why: Why, around: &mut Around<'_>) {
        release(now, why, around);
        if let Communication::Open(_) = self.communication {
            around.log.note(|| Happened::Closed { at: now, why });
        }
        self.communication = Communication::Asleep;
        self.timing = self.forms.default_timing();
    }

    /// Whether a whole message is a request to be taken.
    fn judge(&self, heard: Heard) -> Result<(), Ignored> {
        let frame = decode(self.assembler.bytes()).map_err(|_| Ignored::Broken)?;
        if heard.spoiled {
            return Err(Ignored::Broken);
        }
        match frame.addressing {
            Addressing::Physical { target, .. } if target != self.address => {
                return Err(Ignored::Foreign(target));
            }
            Addressing::Functional { target, .. } if target != EMISSIONS => {
                return Err(Ignored::Foreign(target));
            }
            _ => {}
        }
        let starts = frame.data == [START_COMMUNICATION];
        let since_quiet = heard.start.saturating_sub(self.quiet_since);
        match self.communication {
            _ if self.work != Work::Idle => return Err(Ignored::P3Min(self.work.until_end(heard.start))),
            Communication::Asleep if !(self.awake && starts) => return Err(Ignored::NotOpen),
            Communication::Roused(_) if !starts => return Err(Ignored::NotOpen),
            Communication::Roused(pulse) => {
                let after = heard.start - pulse;
                if !(WAKE_WHOLE.0 - TOLERANCE..=WAKE_WHOLE.1 + TOLERANCE).contains(&after) {
                    return Err(Ignored::TwUp(after));
                }
            }
            Communication::Open(_) if since_quiet < self.timing.p3_min - TOLERANCE => {
                return Err(Ignored::P3Min(since_quiet));
            }
            _ => {}
        }
        if !self.untimed && heard.gap < self.timing.p4_min - TOLERANCE {
            return Err(Ignored::P4Min(heard.gap));
        }
        let addressed = frame.addressing != Addressing::None;
        // StartCommunication itself must be understood before the key bytes are known.
        if !starts && !self.forms.take(addressed, frame.extra_length) {
            return Err(Ignored::Form);
        }
        if self.trouble.is_silent(heard.end) {
            return Err(Ignored::Silent);
        }
        Ok(())
    }

    fn take_request(&mut self, heard: Heard, around: &mut Around<'_>) {
        let bytes = self.assembler.bytes();
        let frame = decode(bytes).expect("judged whole");
        self.request.addressing = frame.addressing;
        self.request.extra_length = frame.extra_length;
        self.request.data.clear();
        self.request.data.extend_from_slice(frame.data);
        self.last_request = Some(heard.end);
        around.log.note(|| Happened::Request { at: heard.end, bytes: bytes.to_vec() });
        self.begin(heard.end);
    }
}

/// Gives the idle valve back, if it is held.
fn release(now: i64, why: Why, around: &mut Around<'_>) {
    if around.engine.control.held.is_some() {
        around.engine.control.hold(None);
        around.log.note(|| Happened::Released { at: now, why });
    }
}

fn note_ignored(log: &mut Log, at: i64, why: Ignored) {
    log.note(|| Happened::Ignored { at, why });
}
