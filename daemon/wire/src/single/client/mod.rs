//! One exchange at a time: bytes out, echo, bytes in, bounded retries, silence after anything that does not fit.
//!
//! Drive it as the crate's contract says. Times given with received bytes are the ends of the characters.

mod receive;

use std::collections::VecDeque;

use model::event::WireFault;
use model::{Exchange, Moment, Span};

use super::SingleConfig;
use crate::dialect::{Answer, Event, ExchangeTimes, Expected, Failure, Transmit};
use crate::frame::FrameError;
use crate::patience::Patience;
use crate::{Deadline, Reason};

/// What the client is doing.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum State {
    /// Nothing in flight.
    Idle,
    /// A request waits for its turn.
    Gap,
    /// Bytes of the request are being sent; the next one at `next`.
    Sending { next: Moment },
    /// The request is out; what comes next must be complete by `until`.
    Waiting { until: Moment, reason: Reason },
}

/// One request until its answer.
#[derive(Debug, Clone)]
struct Job {
    request: Vec<u8>,
    expected: Expected,
    waking: bool,
    sent: usize,
    attempt: u8,
    retry: bool,
    /// How long what is heard unasked may put it off.
    patience: Patience,
    first: Moment,
    asked: Moment,
    answering: Option<Moment>,
    got: Vec<u8>,
    /// What came since the attempt began; filled only while a trace is wanted.
    heard: Vec<u8>,
}

/// The tester's end of the wire.
#[derive(Debug)]
pub struct Client {
    config: SingleConfig,
    tb: Span,
    state: State,
    job: Option<Job>,
    connected: bool,
    /// The first moment at which a request may begin.
    not_before: Moment,
    /// The end of the last byte seen or sent.
    last_activity: Moment,
    echo: VecDeque<u8>,
    outbox: VecDeque<Transmit>,
    events: VecDeque<Event>,
    stray: u64,
    traced: bool,
}

impl Client {
    /// A client of a controller that has not been heard yet.
    pub fn new(config: SingleConfig) -> Self {
        Self {
            tb: Span::from_nanos(10 * 1_000_000_000 / i64::from(config.baud.max(1))),
            config,
            state: State::Idle,
            job: None,
            connected: false,
            not_before: Moment::ZERO,
            last_activity: Moment(i64::MIN),
            echo: VecDeque::new(),
            outbox: VecDeque::new(),
            events: VecDeque::new(),
            stray: 0,
            traced: false,
        }
    }

    /// What it was made with.
    pub fn config(&self) -> &SingleConfig {
        &self.config
    }

    /// Whether the controller has answered and not been lost since.
    pub fn is_connected(&self) -> bool {
        self.connected
    }

    /// Whether a request may be given.
    pub fn is_idle(&self) -> bool {
        self.state == State::Idle
    }

    /// The time of one character.
    pub fn character(&self) -> Span {
        self.tb
    }

    /// Bytes that belonged to no exchange.
    pub fn stray(&self) -> u64 {
        self.stray
    }

    /// The end of the last byte of a request, sent or scheduled.
    pub fn last_asked(&self) -> Option<Moment> {
        self.job.as_ref().filter(|job| job.sent > 0).map(|job| job.asked)
    }

    /// How long a request can take from its turn on the wire to its last byte. The wait before it is the one after a
    /// failure: a release must not come late because a reading before it broke off.
    pub fn lead(&self, request: usize) -> Span {
        self.wait() + (self.tb + self.config.byte_gap) * request as i64 + self.config.latency
    }

    /// The longest time from now to the end of an exchange, the wait before it included.
    pub fn longest_exchange(&self, request: usize, answer: usize) -> Span {
        let (request, answer) = (request as i64, answer as i64);
        let bytes = self.config.answer + self.tb + self.config.latency;
        // Without an answer the echo is waited for as one byte of it would be.
        self.wait() + (self.tb + self.config.byte_gap) * request + bytes * answer.max(1)
    }

    /// The shortest time that an exchange takes, the gap to the next request included.
    pub fn shortest_exchange(&self, request: usize, answer: usize) -> Span {
        let (request, answer) = (request as i64, answer as i64);
        self.tb * (request + answer) + self.config.byte_gap * (request - 1).max(0) + self.config.request_gap
    }

    fn wait(&self) -> Span {
        self.config.request_gap.max(self.config.resync)
    }

    /// Sees whether the controller is there, once nothing has been said for the time in which it forgets half a
    /// request. Only while idle; anything else is ignored.
    pub fn wake(&mut self, now: Moment) {
        if !self.is_idle() {
            return;
        }
        self.connected = false;
        self.not_before = self.not_before.max(now + self.config.resync);
        let (request, expected) = (self.config.keep_alive.clone(), self.config.keep_alive_answer.clone());
        self.begin(now, request, expected);
    }

    /// Treats the controller as awake although this client has not heard it: after a restart it may still be
    /// listening, and a release must not wait for an answer to something else.
    pub fn assume_connected(&mut self, now: Moment) {
        self.connected = true;
        self.not_before = self.not_before.max(now + self.config.resync);
    }

    /// Treats the controller as lost. Whatever was in flight is dropped.
    pub fn disconnect(&mut self) {
        self.connected = false;
        self.begin_anew();
        self.drop_job();
    }

    /// Gives up whatever is in flight. The controller forgets half a request before the next one begins.
    pub fn abandon(&mut self, now: Moment) {
        self.begin_anew();
        self.not_before = self.not_before.max(now + self.config.resync);
        self.outbox.clear();
        self.drop_job();
    }

    /// The next request waits until the controller has forgotten what was there before.
    fn begin_anew(&mut self) {
        self.not_before = self.not_before.max(self.last_activity + self.config.resync);
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
            request: job.request[..job.sent].to_vec(),
            answer: std::mem::take(&mut job.heard),
            fault,
        }));
    }

    fn drop_job(&mut self) {
        let sending = matches!(self.state, State::Sending { .. });
        let fault = if sending { WireFault::Incomplete } else { WireFault::NoAnswer };
        if self.state != State::Gap {
            self.note_exchange(self.last_activity, Some(fault));
        }
        self.job = None;
        self.state = State::Idle;
        self.echo.clear();
    }

    /// Asks. Only while idle and connected; anything else is refused and nothing happens.
    pub fn request(&mut self, now: Moment, data: &[u8], expected: &Expected) -> Result<(), Failure> {
        if !self.is_idle() || !self.connected {
            return Err(Failure::NotReady);
        }
        if data.is_empty() {
            return Err(Failure::Frame(FrameError::Empty));
        }
        self.begin(now, data.to_vec(), expected.clone());
        Ok(())
    }

    fn begin(&mut self, now: Moment, request: Vec<u8>, expected: Expected) {
        self.job = Some(Job {
            request,
            expected,
            waking: !self.connected,
            sent: 0,
            attempt: 1,
            retry: true,
            patience: Patience::default(),
            first: now,
            asked: now,
            answering: None,
            got: Vec::new(),
            heard: Vec::new(),
        });
        self.state = State::Gap;
        self.advance(now);
    }

    /// Makes room for something more urgent: a request that has not begun is dropped at once, any other is finished
    /// but not repeated.
    pub fn hurry(&mut self, now: Moment) {
        if self.state == State::Gap {
            self.drop_job();
            self.advance(now);
        } else if let Some(job) = &mut self.job {
            job.retry = false;
        }
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
            State::Gap => Some(Deadline::new(self.not_before, Reason::RequestGap)),
            State::Sending { next } => Some(Deadline::new(next, Reason::ByteGap)),
            State::Waiting { until, reason } => Some(Deadline::new(until, reason)),
        }
    }

    /// Says that the time is `now`.
    pub fn timeout(&mut self, now: Moment) {
        self.advance(now);
    }

    fn advance(&mut self, now: Moment) {
        match self.state {
            State::Gap if now >= self.not_before => self.state = State::Sending { next: now },
            State::Waiting { until, .. } if now >= until => {
                let begun = self.job.as_ref().is_some_and(|job| !job.got.is_empty());
                let fault = match (self.echo.is_empty(), begun) {
                    (false, _) => WireFault::Echo,
                    (true, true) => WireFault::Incomplete,
                    (true, false) => WireFault::NoAnswer,
                };
                self.fail(now, fault);
            }
            _ => {}
        }
        if let State::Sending { next } = self.state
            && now >= next
        {
            self.send(now);
        }
    }

    /// Sends what may go now: one byte, or all of them when no gap is asked between them.
    fn send(&mut self, now: Moment) {
        let Some(job) = &mut self.job else { return };
        if job.sent == 0 {
            job.first = now;
            self.echo.clear();
        }
        let together = if self.config.byte_gap == Span::ZERO { job.request.len() } else { 1 };
        for _ in 0..together {
            let Some(byte) = job.request.get(job.sent) else { break };
            self.outbox.push_back(Transmit::Byte(*byte));
            if self.config.echo {
                self.echo.push_back(*byte);
            }
            job.sent += 1;
            job.asked = self.last_activity.max(now) + self.tb;
            self.last_activity = job.asked;
        }
        if job.sent < job.request.len() {
            self.state = State::Sending { next: job.asked + self.config.byte_gap };
        } else if job.expected.length == 0 && self.echo.is_empty() {
            let asked = job.asked;
            self.answered(asked);
        } else {
            let until = job.asked + self.config.answer + self.tb + self.config.latency;
            self.state = State::Waiting { until, reason: Reason::Answer };
        }
    }

    /// The exchange is complete; its last byte ended at `end`.
    fn answered(&mut self, end: Moment) {
        self.note_exchange(end, None);
        let Some(job) = self.job.take() else { return };
        self.state = State::Idle;
        self.not_before = self.not_before.max(end + self.config.request_gap);
        if job.waking {
            self.connected = true;
            self.events.push_back(Event::Up(None));
            return;
        }
        let answering = job.answering.unwrap_or(job.asked);
        let times =
            ExchangeTimes { first: job.first, asked: job.asked, answering, answered: end.max(answering) };
        self.events.push_back(Event::Answered(Answer { data: job.got, refused: None, times }));
    }

    /// Ends an attempt that failed: tries again after the silence, or gives up.
    fn fail(&mut self, now: Moment, fault: WireFault) {
        self.begin_anew();
        self.not_before = self.not_before.max(now);
        self.echo.clear();
        self.outbox.clear();
        self.note_exchange(now, Some(fault));
        let Some(job) = &mut self.job else { return };
        self.events.push_back(Event::Fault { fault, request: job.request.clone(), attempt: job.attempt });
        if job.retry && !job.waking && job.attempt < self.config.attempts {
            job.attempt += 1;
            job.sent = 0;
            job.answering = None;
            job.got.clear();
            job.heard.clear();
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
