//! A port that is pulled out and put back.

use std::cell::Cell;
use std::rc::Rc;
use std::task::{Context, Poll};

use model::event::{ReleaseCause, ReleaseProof};
use model::{Ending, Event, Moment, Place, Problem, ProblemKind, Reply, Span};
use wire::kline::Received;

use super::controller::Controller;
use super::sides::pick;
use super::world::{Told, World};
use super::{ENGAGE, MS, RELEASE, S, gate, rpm_above};
use crate::transport::in_process::InProcess;
use crate::transport::{Reopen, Transport, TransportError};

type Times = Rc<Vec<(Moment, Moment)>>;

fn is_out(times: &Times, now: Moment) -> bool {
    times.iter().any(|(from, to)| (*from..*to).contains(&now))
}

/// A plug that is out at times.
struct Plug {
    inner: Box<dyn Transport>,
    times: Times,
    opened: Moment,
}

impl Plug {
    /// A descriptor that was open when the plug was pulled stays dead, whether or not it is in again.
    fn check(&self, now: Moment) -> Result<(), TransportError> {
        let pulled = self.times.iter().any(|(from, _)| *from > self.opened && *from <= now);
        if pulled { Err(TransportError::Gone("unplugged".into())) } else { Ok(()) }
    }
}

impl Transport for Plug {
    fn write(&mut self, now: Moment, bytes: &[u8]) -> Result<(), TransportError> {
        self.check(now)?;
        self.inner.write(now, bytes)
    }

    fn set_level(&mut self, now: Moment, low: bool) -> Result<bool, TransportError> {
        self.check(now)?;
        self.inner.set_level(now, low)
    }

    fn set_baud(&mut self, now: Moment, baud: u32) -> Result<u32, TransportError> {
        self.check(now)?;
        self.inner.set_baud(now, baud)
    }

    fn purge(&mut self, now: Moment) -> Result<(), TransportError> {
        self.check(now)?;
        self.inner.purge(now)
    }

    fn poll_read(
        &mut self,
        context: &mut Context<'_>,
        now: Moment,
        into: &mut Vec<Received>,
    ) -> Poll<Result<(), TransportError>> {
        match self.check(now) {
            Ok(()) => self.inner.poll_read(context, now, into),
            Err(error) => Poll::Ready(Err(error)),
        }
    }

    fn next_arrival(&self) -> Option<Moment> {
        let pull = self.times.iter().map(|(from, _)| *from).find(|from| *from > self.opened);
        [self.inner.next_arrival(), pull].into_iter().flatten().min()
    }
}

thread_local! {
    /// How often the port of this thread's run was tried again.
    static TRIES: Cell<usize> = const { Cell::new(0) };
}

/// The transport with its plug, and what opens it again.
pub(super) fn plug(
    controller: Controller,
    inner: Box<dyn Transport>,
    times: Vec<(Moment, Moment)>,
) -> (Box<dyn Transport>, Reopen) {
    controller.look().cut.extend(times.iter().copied());
    let times: Times = Rc::new(times);
    TRIES.set(0);
    let transport = Box::new(Plug { inner, times: times.clone(), opened: Moment::ZERO });
    let reopen: Reopen = Box::new(move |clock| {
        let now = clock.now();
        TRIES.set(TRIES.get() + 1);
        if is_out(&times, now) {
            return Err(Problem::new(ProblemKind::Link, Place::Wire, "there is no such port", "plug it in"));
        }
        let inner = Box::new(InProcess::new(controller.clone()));
        Ok(Box::new(Plug { inner, times: times.clone(), opened: now }))
    });
    (transport, reopen)
}

fn links(told: &Told) -> Vec<(Moment, bool)> {
    pick(&told.events, |event| match event {
        Event::LinkUp { .. } => Some(true),
        Event::LinkDown { .. } => Some(false),
        _ => None,
    })
}

fn pulled(times: Vec<(Moment, Moment)>) -> World {
    World { unplugged: Some(times), ..World::new() }
}

fn at(seconds: f64) -> Moment {
    Moment((seconds * 1e9) as i64)
}

#[test]
fn a_hundred_pulls_are_a_hundred_gaps_and_the_run_goes_on() {
    // Moments from a fixed linear congruential sequence (Numerical Recipes' constants, from memory).
    let mut state: u32 = 7;
    let mut next = |low: f64, high: f64| {
        state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
        low + (high - low) * f64::from(state) / f64::from(u32::MAX)
    };
    let mut times = Vec::new();
    let mut now = 3.0;
    for _ in 0..100 {
        let (from, out) = (now + next(0.0, 3.0), next(0.02, 4.0));
        times.push((at(from), at(from + out)));
        // What is needed to try the port, wake the controller and read something.
        now = from + out + 4.0;
    }
    let (last, expected) = (now, times.clone());
    let told = pulled(times).run(move |script| {
        script.link_up();
        while !matches!(
            script.ask(model::Command::Wait { gate: gate(rpm_above(5_000.0), Span::ZERO, S(100)) }),
            Reply::Over { .. }
        ) {
            if script.pause(S(2)) != (Reply::Answered { answer: None }) {
                panic!("the run was ended");
            }
            if matches!(script.ask(model::Command::Latest { channel: model::ChannelId::new("rpm").unwrap(), within: S(2) }),
                Reply::Latest { sample: Some(sample) } if sample.at > at(last)) {
                break;
            }
        }
    });
    assert_eq!(told.end.ending, Ending::Passed);
    let links = links(&told);
    assert_eq!(links.len(), 201, "up, and a hundred times down and up again");
    for (pair, (from, to)) in links[1..].chunks(2).zip(&expected) {
        let [(down, false), (up, true)] = pair else { panic!("{pair:?}") };
        assert!(*down >= *from && down.since(*from) < MS(20), "pulled at {from:?}, told at {down:?}");
        // The longest pause between two tries, and a wake-up with its session.
        assert!(*up > *to && up.since(*to) < S(3), "back at {to:?}, up at {up:?}");
        let within = told.samples.iter().filter(|sample| sample.at > *from && sample.at < *to);
        assert_eq!(within.count(), 0, "nothing is read while the plug is out");
    }
}

#[test]
fn a_gate_knows_nothing_while_the_plug_is_out_and_recovers() {
    let told = pulled(vec![(at(4.0), at(6.0))]).run(|script| {
        let reply = script.ask(model::Command::Wait { gate: gate(rpm_above(100.0), S(6), S(40)) });
        assert!(matches!(reply, Reply::Waited { outcome: model::event::Outcome::Met, .. }), "{reply:?}");
    });
    // Six seconds without a break begin only after the link is up again.
    assert!(told.at > at(12.0), "{:?}", told.at);
    let words = pick(&told.events, |event| match event {
        Event::GateJudged { judgement } => Some(judgement.word),
        _ => None,
    });
    let out = words.iter().find(|(when, _)| *when >= at(4.0)).expect("the gate's word changed");
    assert_eq!(out.1, model::Word::Unknown);
}

#[test]
fn a_port_that_stays_away_is_tried_with_growing_pauses_until_the_patience_is_over() {
    let told = pulled(vec![(at(4.0), Moment::NEVER)]).run(|script| {
        script.link_up();
        let reply = script.pause(S(60));
        assert!(matches!(reply, Reply::Over { ending: Ending::LinkLost, .. }), "{reply:?}");
    });
    assert_eq!(told.end.ending, Ending::LinkLost);
    assert!((at(18.9)..at(19.1)).contains(&told.at), "{:?}", told.at);
    // 50, 100, 200, 400, 800, 1600 ms, then 2 s each: eleven or twelve tries in fifteen seconds.
    assert!((10..=13).contains(&TRIES.get()), "{}", TRIES.get());
}

#[test]
fn a_port_that_comes_back_in_time_is_used_for_the_release_first() {
    let told = pulled(vec![(at(5.0), at(6.0))]).run(|script| {
        script.link_up();
        script.engage(S(30), vec![]);
        assert!(matches!(script.pause(S(20)), Reply::Over { ending: Ending::LinkLost, .. }));
    });
    let (cause, proof) = told.the_release();
    assert_eq!(cause, ReleaseCause::LinkLost);
    assert_eq!(proof, ReleaseProof::ControllerAndEffect);
    let heard = told.controller.look().asked.clone();
    let first = heard.iter().find(|(when, _)| *when > at(6.0)).expect("it is spoken to again");
    assert_eq!(first.1, RELEASE);
    assert_eq!(told.heard(&ENGAGE), heard.iter().filter(|(w, r)| *w < at(5.0) && *r == ENGAGE).count());
    assert!(told.ledger.is_empty());
}

#[test]
fn a_run_that_is_over_does_not_wait_for_a_port_it_needs_no_more() {
    let told = pulled(vec![(at(4.0), Moment::NEVER)]).run(|script| {
        script.link_up();
        script.pause(S(2));
    });
    assert_eq!(told.end.ending, Ending::Passed);
    assert!(told.at < at(7.0), "{:?}", told.at);
}
