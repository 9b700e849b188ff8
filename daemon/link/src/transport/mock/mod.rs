//! A wire for tests: it echoes, and answers each expected run of characters with given ones after given
//! times. What it was not told to expect gets no answer and is kept for the test to look at.

use std::collections::VecDeque;
use std::sync::{Arc, Mutex};
use std::task::{Context, Poll};

use clock::Clock;
use model::{Moment, Span};
use wire::kline::Received;

use super::{Transport, TransportError};

/// One exchange that the mock knows.
#[derive(Debug, Clone)]
pub struct Scene {
    /// What it waits for.
    pub expect: Vec<u8>,
    /// How long after the last character of that the answer begins.
    pub after: Span,
    /// The answer.
    pub answer: Vec<u8>,
    /// How often it may be played; it is played in the order given.
    pub times: usize,
}

/// A run of characters with the end of its last one.
type Request = (Moment, Vec<u8>);

/// What a mock has seen, shared with the test.
#[derive(Debug, Clone, Default)]
pub struct Seen(Arc<Mutex<Vec<Request>>>);

impl Seen {
    /// Each run of characters that was answered or could not be, with the end of its last character.
    pub fn requests(&self) -> Vec<Request> {
        self.0.lock().expect("no test panics while it holds this lock").clone()
    }

    fn push(&self, at: Moment, bytes: Vec<u8>) {
        self.0.lock().expect("no test panics while it holds this lock").push((at, bytes));
    }
}

/// The mock.
#[derive(Debug)]
pub struct Mock {
    character: Span,
    scenes: Vec<Scene>,
    heard: Vec<u8>,
    busy_until: Moment,
    coming: VecDeque<Received>,
    seen: Seen,
    /// When the wire breaks.
    gone_at: Moment,
}

impl Mock {
    /// A mock at a rate, with its scenes.
    pub fn new(_clock: &Clock, baud: u32, scenes: Vec<Scene>) -> Self {
        Self {
            character: Span::from_nanos(10 * 1_000_000_000 / i64::from(baud)),
            scenes,
            heard: Vec::new(),
            busy_until: Moment::ZERO,
            coming: VecDeque::new(),
            seen: Seen::default(),
            gone_at: Moment::NEVER,
        }
    }

    /// What it sees from now on.
    pub fn seen(&self) -> Seen {
        self.seen.clone()
    }

    /// Breaks the wire at a moment: every call from then on fails.
    pub fn gone_at(mut self, at: Moment) -> Self {
        self.gone_at = at;
        self
    }

    fn check(&self, now: Moment) -> Result<(), TransportError> {
        if now >= self.gone_at { Err(TransportError::Gone("unplugged".into())) } else { Ok(()) }
    }

    fn send(&mut self, from: Moment, byte: u8) -> Moment {
        let end = self.busy_until.max(from) + self.character;
        self.busy_until = end;
        self.coming.push_back(Received { byte, end, broken: false });
        end
    }
}

impl Transport for Mock {
    fn write(&mut self, now: Moment, bytes: &[u8]) -> Result<(), TransportError> {
        self.check(now)?;
        for byte in bytes {
            let end = self.send(now, *byte);
            self.heard.push(*byte);
            let known = self.scenes.iter_mut().find(|scene| scene.times > 0 && scene.expect == self.heard);
            if let Some(scene) = known {
                scene.times -= 1;
                let (after, answer) = (scene.after, scene.answer.clone());
                self.seen.push(end, std::mem::take(&mut self.heard));
                for byte in answer {
                    self.send(end + after, byte);
                }
            } else if !self
                .scenes
                .iter()
                .any(|scene| scene.times > 0 && scene.expect.starts_with(&self.heard))
            {
                self.seen.push(end, std::mem::take(&mut self.heard));
            }
        }
        Ok(())
    }

    fn set_level(&mut self, now: Moment, _: bool) -> Result<bool, TransportError> {
        self.check(now).map(|()| true)
    }

    fn set_baud(&mut self, now: Moment, baud: u32) -> Result<u32, TransportError> {
        self.check(now).map(|()| baud)
    }

    fn purge(&mut self, now: Moment) -> Result<(), TransportError> {
        self.coming.clear();
        self.check(now)
    }

    fn poll_read(
        &mut self,
        _: &mut Context<'_>,
        now: Moment,
        into: &mut Vec<Received>,
    ) -> Poll<Result<(), TransportError>> {
        if let Err(error) = self.check(now) {
            return Poll::Ready(Err(error));
        }
        while let Some(one) = self.coming.pop_front_if(|one| one.end <= now) {
            into.push(one);
        }
        if into.is_empty() { Poll::Pending } else { Poll::Ready(Ok(())) }
    }

    fn next_arrival(&self) -> Option<Moment> {
        let next = self.coming.front().map_or(Moment::NEVER, |one| one.end);
        Some(next.min(self.gone_at)).filter(|at| *at != Moment::NEVER)
    }
}
