//! A driver that fails releases with machines built anew.

use std::cell::Cell;
use std::rc::Rc;
use std::task::{Context, Poll};

use model::event::ReleaseCause;
use model::{Command, Ending, Moment, Reply, Span};
use wire::kline::Received;

use super::world::{Script, Told, World};
use super::{S, channel, gate, rpm_above, steps, valve};
use crate::transport::{Transport, TransportError};

/// A transport that fails at a chosen call, or is gone from a moment on.
pub(super) struct Faulty {
    inner: Box<dyn Transport>,
    calls: Rc<Cell<u32>>,
    panics: Box<dyn Fn(u32) -> bool>,
    gone_at: Moment,
}

impl Faulty {
    pub(super) fn gone_at(inner: Box<dyn Transport>, gone_at: Moment) -> Self {
        Self { inner, calls: Rc::default(), panics: Box::new(|_| false), gone_at }
    }

    fn panicking(
        inner: Box<dyn Transport>,
        calls: Rc<Cell<u32>>,
        panics: impl Fn(u32) -> bool + 'static,
    ) -> Self {
        Self { inner, calls, panics: Box::new(panics), gone_at: Moment::NEVER }
    }

    fn call(&self, now: Moment) -> Result<(), TransportError> {
        let n = self.calls.get() + 1;
        self.calls.set(n);
        if (self.panics)(n) {
            // Without the hook's words: hundreds of these happen on purpose.
            std::panic::resume_unwind(Box::new(format!("the transport fails at call {n}")));
        }
        if now >= self.gone_at { Err(TransportError::Gone("unplugged".into())) } else { Ok(()) }
    }
}

impl Transport for Faulty {
    fn write(&mut self, now: Moment, bytes: &[u8]) -> Result<(), TransportError> {
        self.call(now)?;
        self.inner.write(now, bytes)
    }

    fn set_level(&mut self, now: Moment, low: bool) -> Result<bool, TransportError> {
        self.call(now)?;
        self.inner.set_level(now, low)
    }

    fn set_baud(&mut self, now: Moment, baud: u32) -> Result<u32, TransportError> {
        self.call(now)?;
        self.inner.set_baud(now, baud)
    }

    fn purge(&mut self, now: Moment) -> Result<(), TransportError> {
        self.call(now)?;
        self.inner.purge(now)
    }

    fn poll_read(
        &mut self,
        context: &mut Context<'_>,
        now: Moment,
        into: &mut Vec<Received>,
    ) -> Poll<Result<(), TransportError>> {
        if let Err(error) = self.call(now) {
            return Poll::Ready(Err(error));
        }
        self.inner.poll_read(context, now, into)
    }

    fn next_arrival(&self) -> Option<Moment> {
        self.inner.next_arrival().into_iter().chain(Some(self.gone_at)).min()
    }
}

/// Whatever goes wrong, each of these has its reply; after the failure it is that the run is over. A driver
/// that fails a second time is gone.
fn script(script: &Script) -> Vec<Reply> {
    let commands = [
        Command::Wait { gate: gate(rpm_above(100.0), Span::ZERO, S(10)) },
        Command::Engage {
            output: valve(),
            value: steps(32.0),
            at_most: S(10),
            drop_if: vec![],
            goes_on: false,
        },
        Command::Measure { channel: channel("rpm"), name: "rpm".into(), over: S(1) },
        Command::Release { output: valve() },
    ];
    let all: Vec<Reply> = commands.into_iter().map_while(|command| script.try_ask(command)).collect();
    let over = all.iter().position(|reply| matches!(reply, Reply::Over { .. }));
    let after = &all[over.unwrap_or(all.len())..];
    assert!(after.iter().all(|r| matches!(r, Reply::Over { ending: Ending::BadInput, .. })), "{all:?}");
    all
}

fn run(panics: impl Fn(u32) -> bool + 'static) -> (Told, u32) {
    let calls: Rc<Cell<u32>> = Rc::default();
    let counted = calls.clone();
    let mut world = World::new();
    world.wrap = Some(Box::new(move |_, inner| Box::new(Faulty::panicking(inner, counted, panics))));
    let told = world.run(|s| drop(script(s)));
    (told, calls.get())
}

#[test]
fn a_failure_at_any_call_of_the_transport_releases_what_is_held() {
    let (told, calls) = run(|_| false);
    assert_eq!(told.end.ending, Ending::Passed);
    assert!(calls > 100, "{calls}");
    let mut while_held = 0;
    for n in 1..=calls {
        let (told, _) = run(move |call| call == n);
        assert_eq!(told.end.ending, Ending::BadInput, "call {n}");
        assert!(told.end.problems.iter().any(|p| p.seen.contains(&format!("at call {n}"))), "call {n}");
        assert!(told.ledger.is_empty(), "call {n}: {:?}", told.end.problems);
        assert_eq!(told.replies, 4, "call {n}");
        // What the first machines held, the second ones release, and say why.
        let causes = told.releasing();
        if let Some((_, (cause, detail))) = causes.last()
            && *cause == ReleaseCause::FormerRun
        {
            assert_eq!(detail, "the driver failed");
            while_held += 1;
        }
    }
    assert!(while_held > 50, "{while_held}");
}

#[test]
fn a_transport_that_fails_for_good_ends_with_the_key() {
    let (_, calls) = run(|_| false);
    let mut with_the_key = 0;
    for n in (1..=calls).step_by(3) {
        let (told, _) = run(move |call| call >= n);
        assert_eq!(told.end.ending, Ending::BadInput, "call {n}");
        // Every run's own check: an empty ledger and nothing held, or the words.
        if told.key_off() {
            with_the_key += 1;
            assert!(!told.ledger.is_empty(), "call {n}");
        }
    }
    assert!(with_the_key > 20, "{with_the_key}");
}
