//! What comes: echo, answers, and what belongs to neither.

use model::Moment;
use model::event::WireFault;

use super::{Answer, Client, Event, ExchangeTimes, Received, State};
use crate::frame::{Addressing, HeaderForm, Message, Step};
use crate::service::{self, NegativeCode};
use crate::{Reason, frame::FrameError};

impl Client {
    /// Takes characters that came.
    pub fn bytes(&mut self, now: Moment, received: &[Received]) {
        for one in received {
            self.byte(now, *one);
        }
    }

    fn byte(&mut self, now: Moment, one: Received) {
        if let Some(expected) = self.echo.pop_front() {
            if one.broken || one.byte != expected {
                self.last_activity = self.last_activity.max(one.end);
                self.fail(now, WireFault::Echo);
            }
            return;
        }
        self.last_activity = self.last_activity.max(one.end);
        match self.state {
            State::Waiting { .. } | State::Receiving { .. } => {}
            // Nobody was asked. The next request keeps its distance from whoever speaks there.
            _ => {
                self.stray += 1;
                self.put_off(one.end + self.timing.p3_min);
                return;
            }
        }
        let start = one.end - self.tb;
        let Some(job) = &mut self.job else { return };
        if self.traced {
            job.heard.push(one.byte);
        }
        if start < job.asked && job.answering.is_none() {
            // Begun before the question was out: not its answer.
            self.stray += 1;
            return;
        }
        if self.assembler.is_empty() {
            job.answering = Some(start);
        }
        if one.broken {
            return self.fail(now, WireFault::Malformed);
        }
        match self.assembler.push(one.byte) {
            Step::More => {
                let until = one.end + self.timing.p1_max + self.tb + self.config.latency;
                self.state = State::Receiving { until };
            }
            Step::Broken(FrameError::Checksum { .. }) => self.fail(now, WireFault::Checksum),
            Step::Broken(_) => self.fail(now, WireFault::Malformed),
            Step::Message(message) => self.message(now, one.end, message),
        }
    }

    fn message(&mut self, now: Moment, end: Moment, message: Message) {
        let Some(job) = &mut self.job else { return };
        let until = end + self.timing.p2_max + self.tb + self.config.latency;
        if !for_me(&message, self.config.source, self.config.target, self.config.addressing)
            || !answers(&message.data, &job.data, &job.expect)
        {
            self.events.push_back(Event::Fault {
                fault: WireFault::Stranger,
                request: job.data.clone(),
                attempt: job.attempt,
            });
            job.answering = None;
            self.state = State::Waiting { until, reason: Reason::Answer };
            return;
        }
        self.not_before = end + self.timing.p3_min;
        match service::negative(&message.data) {
            // Something more urgent waits: an answer that is put off is not waited for.
            Some(NegativeCode::RESPONSE_PENDING) if !job.retry && !job.waking => {
                self.note_exchange(end, Some(WireFault::NoAnswer));
                self.job = None;
                self.state = State::Idle;
                self.events.push_back(Event::GivenUp);
                return;
            }
            Some(NegativeCode::RESPONSE_PENDING) => {
                let since = *job.pending_since.get_or_insert(end);
                job.answering = None;
                let last = since + self.config.pending_limit;
                if end > last {
                    return self.fail(now, WireFault::NoAnswer);
                }
                let until = end + self.timing.p2_pending() + self.tb + self.config.latency;
                self.state = State::Waiting { until: until.min(last), reason: Reason::Pending };
                return;
            }
            Some(NegativeCode::BUSY_REPEAT_REQUEST) if job.busy < self.config.busy_attempts && job.retry => {
                job.busy += 1;
                job.answering = None;
                self.note_exchange(end, None);
                self.state = State::Gap;
                self.begin_again();
                return;
            }
            _ => {}
        }
        self.note_exchange(end, None);
        let Some(job) = self.job.take() else { return };
        self.state = State::Idle;
        if job.waking {
            return self.woken(&message.data);
        }
        let times = ExchangeTimes {
            first: job.first,
            asked: job.asked,
            answering: job.answering.unwrap_or(job.asked),
            answered: end,
        };
        let refused = service::negative(&message.data);
        self.events.push_back(Event::Answered(Answer { data: message.data, refused, times }));
    }
}

fn for_me(message: &Message, me: u8, controller: u8, addressing: Addressing) -> bool {
    match message.header.form {
        HeaderForm::Bare { .. } => true,
        HeaderForm::Addressed { .. } => {
            message.header.target == me
                && (addressing == Addressing::Functional || message.header.source == controller)
        }
    }
}

fn answers(data: &[u8], request: &[u8], expect: &[u8]) -> bool {
    let Some(asked) = request.first() else { return false };
    match data {
        [service::NEGATIVE, service, _, ..] => service == asked,
        [service, rest @ ..] => *service == service::positive(*asked) && rest.starts_with(expect),
        [] => false,
    }
}
