//! What comes: echo, answers, and what belongs to neither.

use model::Moment;
use model::event::WireFault;

use super::{Client, State};
use crate::Reason;
use crate::dialect::Received;

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
            } else if self.echo.is_empty() && self.wants_nothing_more() {
                self.answered(one.end);
            }
            return;
        }
        self.last_activity = self.last_activity.max(one.end);
        let State::Waiting { .. } = self.state else {
            // Nobody was asked: whatever it belongs to must be over before anything is asked again.
            return self.stray_byte();
        };
        let Some(job) = &mut self.job else { return };
        if self.traced {
            job.heard.push(one.byte);
        }
        if one.end < job.asked {
            // Complete before the question was out: not its answer.
            return self.stray_byte();
        }
        let start = (one.end - self.tb).max(job.asked);
        job.answering.get_or_insert(start);
        if one.broken {
            return self.fail(now, WireFault::Malformed);
        }
        if job.expected.begins.get(job.got.len()).is_some_and(|expected| *expected != one.byte) {
            return self.fail(now, WireFault::Stranger);
        }
        job.got.push(one.byte);
        if job.got.len() >= job.expected.length {
            return self.answered(one.end);
        }
        let until = one.end + self.config.answer + self.tb + self.config.latency;
        self.state = State::Waiting { until, reason: Reason::AnswerByte };
    }

    /// Whether the request that is out wants no answer.
    fn wants_nothing_more(&self) -> bool {
        let sent = |job: &super::Job| job.sent == job.request.len() && job.expected.length == 0;
        self.job.as_ref().is_some_and(sent)
    }

    fn stray_byte(&mut self) {
        self.stray += 1;
        self.put_off(self.last_activity + self.config.resync);
    }
}
