//! The tester's end of ISO 14230: wake-up, one exchange at a time, echo, timing, pending, busy, bounded
//! retries.
//!
//! Drive it as the crate's contract says. Times given with received bytes are the ends of the characters.

mod config;
mod receive;
mod wake;

use std::collections::VecDeque;

use model::event::WireFault;
use model::{Exchange, Moment, Span};

pub use self::config::{ClientConfig, Wakeup};
use super::{KeyBytes, Timing};
use crate::dialect::{Answer, Event, ExchangeTimes, Failure, Received, Transmit};
use crate::frame::{Assembler, Header, HeaderForm, Message};
use crate::patience::Patience;
use crate::{Deadline, Reason};

/// P4max: the longest gap between two characters of a request (Regulation (EU) 2016/799, Annex IC, Appendix 8,
/// Table 4); after it half a request is forgotten.
const P4_MAX: Span = Span::from_millis(20);

/// What the client is doing.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum State {
    /// Nothing in flight.
    Idle,
    /// The bus must be quiet before a wake-up.
    Quiet { until: Moment },
    /// The line is held low.
    Low { until: Moment },
    /// The line is released, start-communication comes next.
    High { until: Moment },
    /// A request waits for its turn on the bus.
    Gap,
    /// Characters of the request are being sent; the next one at `next`.
    Sending { next: Moment },
    /// The request is out; the first character of the answer must be complete by `until`.
    Waiting { until: Moment, reason: Reason },
    /// The answer has begun; its next character must be complete by `until`.
    Receiving { until: Moment },
}

/// One request until its answer.
#[derive(Debug, Clone)]
struct Job {
    data: Vec<u8>,
    expect: Vec<u8>,
    waking: bool,
    answered: bool,
    bytes: Vec<u8>,
    sent: usize,
    attempt: u8,
    busy: u8,
    retry: bool,
    /// How long what is heard unasked may put it off.
    patience: Patience,
    first: Moment,
    asked: Moment,
    answering: Option<Moment>,
    pending_since: Option<Moment>,
    /// What came since the attempt began; filled only while a trace is wanted.
    heard: Vec<u8>,
}

/// The tester's end of the wire.
#[derive(Debug)]
pub struct Client {
    config: ClientConfig,
    timing: Timing,
    tb: Span,
    state: State,
    job: Option<Job>,
    key_bytes: Option<KeyBytes>,
    connected: bool,
    /// The first moment at which a request may begin.
    not_before: Moment,
    /// The end of the last character seen or sent.
    last_activity: Moment,
    echo: VecDeque<u8>,
    assembler: Assembler,
    outbox: VecDeque<Transmit>,
    events: VecDeque<Event>,
    stray: u64,
    traced: bool,
}

impl Client {
    /// A client of a controller that has not been woken.
    pub fn new(config: ClientConfig) -> Self {
        Self {
            timing: config.timing,
            tb: Span::from_nanos(10 * 1_000_000_000 / i64::from(config.baud.max(1))),
            config,
            state: State::Idle,
            job: None,
            key_bytes: None,
            connected: false,
            not_before: Moment::ZERO,
            last_activity: Moment(i64::MIN),
            echo: VecDeque::new(),
            assembler: Assembler::new(),
            outbox: VecDeque::new(),
            events: VecDeque::new(),
            stray: 0,
            traced: false,
        }
    }

    /// Whether the controller has been woken and not been lost since.
    pub fn is_connected(&self) -> bool {
        self.connected
    }

    /// Whether a request may be given.
    pub fn is_idle(&self) -> bool {
        self.state == State::Idle
    }

    /// The timing in force.
    pub fn timing(&self) -> &Timing {
        &self.timing
    }

    /// The time of one character.
    pub fn character(&self) -> Span {
        self.tb
    }

    /// How much later than on the wire the adapter may hand a character over.
    pub fn latency(&self) -> Span {
        self.config.latency
    }

    /// Characters that belonged to no exchange.
    pub fn stray(&self) -> u64 {
        self.stray
    }

    /// The end of the last character of a request, sent or scheduled.
    pub fn last_asked(&self) -> Option<Moment> {
        self.job.as_ref().filter(|job| job.sent > 0).map(|job| job.asked)
    }

    /// Uses other times from the next request on (after accessTimingParameters).
    pub fn set_timing(&mut self, timing: Timing) {
        self.timing = timing;
    }

    /// Treats the controller as awake although this client did not wake it: after a restart it may still be
    /// listening, and a release must not wait for a wake-up.
    pub fn assume_connected(&mut self, now: Moment) {
        self.connected = true;
        self.not_before = self.not_before.max(now + self.timing.p3_min);
    }

    /// Treats the controller as lost. Whatever was in flight is dropped.
    pub fn disconnect(&mut self) {
        self.connected = false;
        self.key_bytes = None;
        self.timing = self.config.timing;
        self.drop_job();
    }

    /// Gives up whatever is in flight. The controller forgets half a request after P4max, well within the gap
    /// before the next one.
    pub fn abandon(&mut self, now: Moment) {
        self.not_before = self.not_before.max(self.last_activity + self.timing.p3_min).max(now + P4_MAX);
        self.outbox.clear();
        self.drop_job();
    }

    /// The number of characters on the wire for so much data from this side.
    pub fn wire_length(&self, data: usize) -> usize {
        let header = match self.form(data) {
            HeaderForm::Bare { length_byte } => 1 + usize::from(length_byte),
            HeaderForm::Addressed { length_byte } => 3 + usize::from(length_byte),
        };
        header + data + 1
    }

    /// Asks. `expect` is how a positive answer must begin, after the service id that is checked anyway.
    ///
    /// Only while idle and connected; anything else is refused and nothing happens.
    pub fn request(&mut self, now: Moment, data: &[u8], expect: &[u8]) -> Result<(), Failure> {
        if !self.is_idle() || !self.connected {
            return Err(Failure::NotReady);
        }
        let header = Header {
            form: self.form(data.len()),
            addressing: self.config.addressing,
            target: self.config.target,
            source: self.config.source,
        };
        let bytes = Message { header, data: data.to_vec() }.encode().map_err(Failure::Frame)?;
        self.begin(now, data.to_vec(), expect.to_vec(), bytes, State::Gap);
        self.advance(now);
        Ok(())
    }

    fn form(&self, data: usize) -> HeaderForm {
        let told = self.key_bytes.map(|key| key.form_for(data));
        self.config
            .form
            .or(told)
            .unwrap_or(HeaderForm::Addressed { length_byte: data > crate::frame::LONGEST_SHORT_DATA })
    }

    fn begin(&mut self, now: Moment, data: Vec<u8>, expect: Vec<u8>, bytes: Vec<u8>, state: State) {
        self.job = Some(Job {
            answered: !crate::service::is_silent(&data),
            data,
            expect,
            waking: !self.connected,
            bytes,
            sent: 0,
            attempt: 1,
            busy: 0,
            retry: true,
            patience: Patience::default(),
            first: now,
            asked: now,
            answering: None,
            pending_since: None,
            heard: Vec::new(),
        });
        self.state = state;
    }

    /// Makes room for something more urgent: a request that has not begun is dropped at once, one whose
    /// answer is pending is given up, and any other is finished but not repeated.
    pub fn hurry(&mut self, now: Moment) {
        match self.state {
            State::Gap => {
                self.drop_job();
                self.advance(now);
            }
            State::Waiting { reason: Reason::Pending, .. } => {
                self.not_before = self.not_before.max(self.last_activity + self.timing.p3_min).max(now);
                self.drop_job();
            }
            _ => {
                if let Some(job) = &mut self.job {
                    job.retry = false;
                }
            }
        }
    }

    /// Whether every attempt is told as it was on the wire.
    pub fn trace(&mut self, wanted: bool) {
        self.traced = wanted;
    }

    /// The attempt is over at `end`: tells it as it was on the wire, where that is wanted. What never began is none.
    fn note_exchange(&mut self, end: Moment, fault: Option<WireFault>) {
        let Some(job) = self.job.as_mut().filter(|job| self.traced && job.sent > 0) else { return };
        self.events.push_back(Event::Exchange(Exchange {
            at: job.first,
            took: end.since(job.first).max(Span::ZERO),
            request: job.bytes[..job.sent].to_vec(),
            answer: std::mem::take(&mut job.heard),
            fault,
        }));
    }

    /// The same request waits for its next attempt.
    fn begin_again(&mut self) {
        if let Some(job) = &mut self.job {
            job.sent = 0;
            job.heard.clear();
        }
    }

    /// What is in flight is given up at this moment.
    fn note_given_up(&mut self) {
        let sending = matches!(self.state, State::Sending { .. });
        let fault = if sending { WireFault::Incomplete } else { WireFault::NoAnswer };
        if !matches!(self.state, State::Gap) {
            self.note_exchange(self.last_activity, Some(fault));
        }
    }

    fn drop_job(&mut self) {
        self.note_given_up();
        if matches!(self.state, State::Low { .. }) {
            self.outbox.push_back(Transmit::High);
        }
        self.job = None;
        self.state = State::Idle;
        self.echo.clear();
        self.assembler.clear();
    }

    /// Has what waits for its turn wait for no more than the rest of one message, however long others go on speaking.
    /// For a release, which must not wait for a line that never falls silent.
    pub fn insist(&mut self, now: Moment) {
        if let Some(job) = &mut self.job {
            job.patience = Patience::of_one_message(now, self.tb);
        }
    }

    /// Puts the next request off because somebody speaks.
    fn put_off(&mut self, until: Moment) {
        let waiting = self.job.as_ref().filter(|_| self.state == State::Gap);
        let patience = waiting.map(|job| job.patience).unwrap_or_default();
        self.not_before = patience.put_off(self.not_before, until);
    }

    /// The next moment at which `timeout` must be called, and why.
    pub fn deadline(&self) -> Option<Deadline> {
        match self.state {
            State::Idle => None,
            State::Quiet { until } => Some(Deadline::new(until, Reason::BusIdle)),
            State::Low { until } => Some(Deadline::new(until, Reason::WakeLow)),
            State::High { until } => Some(Deadline::new(until, Reason::WakeHigh)),
            State::Gap => Some(Deadline::new(self.not_before, Reason::RequestGap)),
            State::Sending { next } => Some(Deadline::new(next, Reason::ByteGap)),
            State::Waiting { until, reason } => Some(Deadline::new(until, reason)),
            State::Receiving { until } => Some(Deadline::new(until, Reason::AnswerByte)),
        }
    }

    /// Says that the time is `now`.
    pub fn timeout(&mut self, now: Moment) {
        self.advance(now);
    }

    fn advance(&mut self, now: Moment) {
        match self.state {
            State::Idle => {}
            State::Quiet { until } if now >= until => self.pull_low(now),
            State::Low { until } if now >= until => self.let_high(now),
            State::High { until } if now >= until => self.state = State::Sending { next: now },
            State::Gap if now >= self.not_before => self.state = State::Sending { next: now },
            State::Waiting { until, .. } if now >= until => {
                let echo_missing = !self.echo.is_empty();
                self.fail(now, if echo_missing { WireFault::Echo } else { WireFault::NoAnswer });
            }
            State::Receiving { until } if now >= until => self.fail(now, WireFault::Incomplete),
            _ => {}
        }
        if let State::Sending { next } = self.state
            && now >= next
        {
            self.send(now);
        }
    }

    /// Sends what may go now: one character, or all of them when no gap is asked between them.
    fn send(&mut self, now: Moment) {
        let Some(job) = &mut self.job else { return };
        if job.sent == 0 {
            job.first = now;
            self.assembler.clear();
            self.echo.clear();
        }
        let together = if self.timing.p4_min == Span::ZERO { job.bytes.len() } else { 1 };
        for _ in 0..together {
            let Some(byte) = job.bytes.get(job.sent) else { break };
            self.outbox.push_back(Transmit::Byte(*byte));
            if self.config.echo {
                self.echo.push_back(*byte);
            }
            job.sent += 1;
            job.asked = self.last_activity.max(now) + self.tb;
            self.last_activity = job.asked;
        }
        if job.sent < job.bytes.len() {
            self.state = State::Sending { next: job.asked + self.timing.p4_min };
        } else if job.answered {
            let until = job.asked + self.timing.p2_max + self.tb + self.config.latency;
            self.state = State::Waiting { until, reason: Reason::Answer };
        } else {
            self.not_before = job.asked + self.timing.p3_min;
            let times = ExchangeTimes {
                first: job.first,
                asked: job.asked,
                answering: job.asked,
                answered: job.asked,
            };
            let end = job.asked;
            self.note_exchange(end, None);
            self.events.push_back(Event::Answered(Answer { data: Vec::new(), refused: None, times }));
            self.job = None;
            self.state = State::Idle;
        }
    }

    /// Ends an attempt that failed: tries again after the gap, or gives up.
    fn fail(&mut self, now: Moment, fault: WireFault) {
        self.note_exchange(now, Some(fault));
        let Some(job) = &mut self.job else { return };
        self.events.push_back(Event::Fault { fault, request: job.data.clone(), attempt: job.attempt });
        self.not_before = self.not_before.max(self.last_activity + self.timing.p3_min).max(now);
        self.echo.clear();
        self.assembler.clear();
        if job.retry && !job.waking && job.attempt < self.config.attempts {
            job.attempt += 1;
            job.sent = 0;
            job.heard.clear();
            job.answering = None;
            job.pending_since = None;
            self.state = State::Gap;
        } else {
            let waking = job.waking;
            self.job = None;
            self.state = State::Idle;
            self.events.push_back(if waking { Event::WakeFailed(fault) } else { Event::Failed(fault) });
        }
    }

    /// What to put on the line next.
    pub fn poll_transmit(&mut self) -> Option<Transmit> {
        self.outbox.pop_front()
    }

    /// What has happened.
    pub fn poll_event(&mut self) -> Option<Event> {
        self.events.pop_front()
    }
}

#[cfg(test)]
mod tests;
