//! One machine for one wire: wake-up and session, the schedule, holds, single questions, in the order of
//! their urgency.
//!
//! Order: releases, then what shows their effect, then the session's own set-up, then engaging and
//! refreshing, then keeping the session alive, then single questions, then readings. While something is
//! held, no exchange begins that could still be under way when a release is due.

mod config;
mod outcome;
mod pick;
mod session;

use std::collections::{BTreeMap, VecDeque};

use model::event::{ReleaseCause, ReleaseProof, WireFault};
use model::{Exchange, GapReason, Moment, OutputId, Span};

pub use self::config::{ConductorConfig, ReadItem};
use self::session::Link;
use crate::Deadline;
use crate::dialect::{Client, ExchangeTimes, Received, Transmit};
use crate::hold::{Hold, HoldEvent, HoldSpec};
use crate::kline::KeyBytes;
use crate::schedule::Schedule;

/// A single question's number.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Ticket(u64);

/// Whose exchange is in flight.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Owner {
    Setup,
    Engage(usize),
    Refresh(usize),
    Release(usize),
    Effect(usize),
    KeepAlive,
    Question(Ticket),
    Read(usize),
}

/// What has happened on the wire.
#[derive(Debug, Clone, PartialEq)]
pub enum Event {
    /// The controller is awake and its session is set up.
    Up(Option<KeyBytes>),
    /// The link is down.
    Down(String),
    /// A scheduled request was answered.
    Read {
        /// Which.
        item: usize,
        /// The data after the expected prefix.
        data: Vec<u8>,
        /// When.
        times: ExchangeTimes,
    },
    /// A scheduled request did not give its readings.
    Missed {
        /// Which.
        item: usize,
        /// When it was begun.
        from: Moment,
        /// When it was given up or refused.
        to: Moment,
        /// Why.
        why: GapReason,
    },
    /// One attempt at an exchange is over, as it was on the wire; told only while a trace is wanted.
    Exchange(Exchange),
    /// A request was refused.
    Refused {
        /// The request's data.
        request: Vec<u8>,
        /// Its negative response code.
        code: crate::service::NegativeCode,
    },
    /// One attempt at an exchange failed.
    Fault {
        /// How.
        fault: WireFault,
        /// The request's data.
        request: Vec<u8>,
        /// Which attempt, from 1.
        attempt: u8,
    },
    /// A hold is confirmed.
    Engaged {
        /// Which output.
        output: OutputId,
        /// When its window is over.
        until: Moment,
    },
    /// The controller refused a hold; nothing was taken over.
    EngageRefused {
        /// Which output.
        output: OutputId,
        /// Its reason.
        why: String,
    },
    /// A release begins.
    Releasing {
        /// Which output.
        output: OutputId,
        /// Why.
        cause: ReleaseCause,
    },
    /// A hold is over.
    Released {
        /// Which output.
        output: OutputId,
        /// How it is known.
        proof: ReleaseProof,
        /// From the engaging request to now.
        held: Span,
    },
    /// A single question has its answer, positive or negative, or none.
    Answered {
        /// Which question.
        ticket: Ticket,
        /// The whole answer.
        data: Option<Vec<u8>>,
    },
}

/// Counters of a wire.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Tally {
    /// Exchanges answered.
    pub exchanges: u64,
    /// Failed attempts by kind.
    pub faults: BTreeMap<WireFault, u64>,
    /// Times the controller was woken.
    pub wakeups: u64,
}

/// The one machine of a wire.
#[derive(Debug)]
pub struct Conductor {
    config: ConductorConfig,
    client: Client,
    schedule: Schedule,
    holds: Vec<Hold>,
    questions: VecDeque<(Ticket, Vec<u8>)>,
    next_ticket: u64,
    link: Link,
    owner: Option<Owner>,
    /// When what is in flight was begun.
    begun: Moment,
    last_word: Moment,
    events: VecDeque<Event>,
    tally: Tally,
    wanted: bool,
    /// The transport is gone.
    away: bool,
    /// When this machine last looked at its deadlines.
    looked: Moment,
}

impl Conductor {
    /// A conductor that does nothing until it is started.
    pub fn new(config: ConductorConfig) -> Self {
        let client = Client::new(config.client.clone());
        let costs: Vec<Span> = config.reads.iter().map(|read| config.cost(&client, read)).collect();
        Self {
            client,
            schedule: Schedule::new(&costs),
            config,
            holds: Vec::new(),
            questions: VecDeque::new(),
            next_ticket: 1,
            link: Link::default(),
            owner: None,
            begun: Moment::ZERO,
            last_word: Moment::ZERO,
            events: VecDeque::new(),
            tally: Tally::default(),
            wanted: false,
            away: false,
            looked: Moment(i64::MIN),
        }
    }

    /// Begins to bring the link up. Holds that a former run left behind are released first, before anything
    /// else is said on the wire: the controller may still be listening, so their release does not wait for a
    /// wake-up.
    pub fn start(&mut self, now: Moment, left_behind: Vec<HoldSpec>) {
        self.wanted = true;
        if !left_behind.is_empty() {
            self.client.assume_connected(now);
            self.link.assume_up();
        }
        self.holds.extend(left_behind.into_iter().map(|spec| Hold::left_behind(spec, now)));
        self.advance(now);
    }

    /// Whether the link is up and set up.
    pub fn is_up(&self) -> bool {
        self.link.is_up()
    }

    /// Whether every attempt at an exchange is told as it was on the wire ([`Event::Exchange`]).
    pub fn trace(&mut self, wanted: bool) {
        self.client.trace(wanted);
    }

    /// Counters so far.
    pub fn tally(&self) -> &Tally {
        &self.tally
    }

    /// Wants scheduled request `item` this often, or no more.
    pub fn want(&mut self, item: usize, period: Option<Span>, now: Moment) {
        self.schedule.want(item, period, now);
        self.advance(now);
    }

    /// Puts exactly these scheduled requests first.
    pub fn boost(&mut self, items: &[usize]) {
        self.schedule.boost(items);
    }

    /// The whole stretch of the schedule: 1 while everything wanted fits on the wire.
    pub fn stretch(&self) -> (f64, f64) {
        self.schedule.stretch()
    }

    /// Whether the controller knows the services of ISO 14230-3 and SAE J1979.
    pub fn has_services(&self) -> bool {
        self.client.has_services()
    }

    /// Asks for a service once, outside the schedule. A controller without services is not asked: the answer then
    /// is none.
    pub fn ask(&mut self, now: Moment, request: Vec<u8>) -> Ticket {
        let ticket = Ticket(self.next_ticket);
        self.next_ticket += 1;
        if !self.has_services() {
            self.dropped(now, Owner::Question(ticket));
            return ticket;
        }
        self.questions.push_back((ticket, request));
        self.advance(now);
        ticket
    }

    /// Takes over an output. The caller has made sure that it is not held already.
    pub fn engage(&mut self, now: Moment, spec: HoldSpec) {
        self.holds.push(Hold::new(spec));
        self.advance(now);
    }

    /// Moves the end of a hold's window outwards; see [`Hold::extend`].
    pub fn extend(&mut self, now: Moment, output: &OutputId, at_most: Span) {
        let live = |hold: &&mut Hold| hold.spec().output == *output && !hold.is_done();
        if let Some(hold) = self.holds.iter_mut().find(live) {
            hold.extend(at_most);
            self.advance(now);
        }
    }

    /// Gives an output back, as the very next request.
    pub fn release(&mut self, now: Moment, output: &OutputId, cause: ReleaseCause) {
        let live = |hold: &Hold| hold.spec().output == *output && !hold.is_done();
        if let Some(i) = self.holds.iter().position(live) {
            self.release_hold(now, i, cause);
            self.advance(now);
        }
    }

    /// Gives every output back.
    pub fn release_all(&mut self, now: Moment, cause: ReleaseCause) {
        for i in 0..self.holds.len() {
            self.release_hold(now, i, cause);
        }
        self.advance(now);
    }

    fn release_hold(&mut self, now: Moment, i: usize, cause: ReleaseCause) {
        let hold = &mut self.holds[i];
        if hold.is_releasing() {
            return;
        }
        hold.release(now, cause);
        if hold.is_releasing() && !matches!(self.owner, Some(Owner::Release(_))) {
            self.hurry(now);
        }
    }

    /// Makes room on the wire for a release.
    fn hurry(&mut self, now: Moment) {
        self.client.hurry(now);
        if self.client.is_idle()
            && let Some(owner) = self.owner.take()
        {
            self.dropped(now, owner);
        }
    }

    /// What was in flight was dropped before it could be answered.
    fn dropped(&mut self, now: Moment, owner: Owner) {
        match owner {
            Owner::Question(ticket) => self.events.push_back(Event::Answered { ticket, data: None }),
            Owner::Read(item) => self.missed(now, item, GapReason::NoAnswer),
            _ => {}
        }
    }

    /// A scheduled request that is in flight gives no readings.
    fn missed(&mut self, now: Moment, item: usize, why: GapReason) {
        self.events.push_back(Event::Missed { item, from: self.begun, to: now, why });
    }

    /// The holds that are not over, in the order in which they were asked.
    pub fn holds(&self) -> &[Hold] {
        &self.holds
    }

    /// Says what a channel shows of a release: whether the output is still held.
    pub fn effect(&mut self, now: Moment, output: &OutputId, held: bool) {
        let live = |hold: &&mut Hold| hold.spec().output == *output && !hold.is_done();
        if let Some(hold) = self.holds.iter_mut().find(live) {
            hold.effect(now, held);
            self.advance(now);
        }
    }

    /// Takes characters that came.
    pub fn bytes(&mut self, now: Moment, received: &[Received]) {
        // The controller's timeout starts again at the end of its answer.
        for hold in &mut self.holds {
            hold.spoke(now);
        }
        self.client.bytes(now, received);
        self.advance(now);
    }

    /// Says that the time is `now`.
    pub fn timeout(&mut self, now: Moment) {
        self.client.timeout(now);
        self.advance(now);
    }

    /// The transport failed, or this side was away for a time of its own (the computer slept). What is held is
    /// released at once, without a wake-up: the failure may be this side's alone and the controller still
    /// listening. Otherwise the link is down.
    pub fn transport_lost(&mut self, now: Moment, why: &str, cause: ReleaseCause) {
        if self.client.is_connected() && self.holds.iter().any(Hold::may_be_held) {
            if let Some(owner) = self.owner.take() {
                self.dropped(now, owner);
            }
            self.client.abandon(now);
            for i in 0..self.holds.len() {
                self.holds[i].release(now, cause);
            }
        } else {
            self.lose_link(now, why);
        }
        self.advance(now);
    }

    /// The transport is gone until [`Conductor::transport_back`]: nobody is woken over a wire that is not there.
    pub fn transport_away(&mut self) {
        self.away = true;
    }

    /// The transport is there again. What may still be held is released at once, as after a restart: the
    /// controller may still be listening. Otherwise the link is brought up without waiting for its next try.
    pub fn transport_back(&mut self, now: Moment) {
        self.away = false;
        self.retry_at_once(now);
        if !self.client.is_connected() && self.holds.iter().any(Hold::may_be_held) {
            self.client.assume_connected(now);
            self.link.assume_up();
        }
        self.advance(now);
    }

    fn advance(&mut self, now: Moment) {
        self.looked = now;
        // Each turn handles what happened, lets holds change with the time, and fills an idle wire. A turn
        // that starts an exchange may finish it at once (a request without answer), hence the loop.
        for _ in 0..8 {
            self.take_client_events(now);
            self.take_hold_events(now);
            if !self.fill(now) {
                break;
            }
        }
        self.take_hold_events(now);
    }

    fn take_hold_events(&mut self, now: Moment) {
        let lead = self.lead();
        let (mut hurry, mut silent, mut hush) = (false, false, false);
        // The controller hears a request until its last character, which may be long after it was begun.
        let asked = self.client.last_asked();
        for hold in &mut self.holds {
            if let Some(asked) = asked {
                hold.spoke(asked);
            }
            let (releasing, quiet) = (hold.is_releasing(), hold.is_silent());
            hold.need(now, lead);
            hurry |= hold.is_releasing() && !releasing;
            hush |= hold.is_silent() && !quiet;
            let output = hold.spec().output.clone();
            for event in hold.take_events() {
                self.events.push_back(match event {
                    HoldEvent::Engaged(until) => Event::Engaged { output: output.clone(), until },
                    HoldEvent::Releasing(cause) => Event::Releasing { output: output.clone(), cause },
                    HoldEvent::NeverEngaged => {
                        let why = "it was given up before it began".to_string();
                        Event::EngageRefused { output: output.clone(), why }
                    }
                    HoldEvent::Released(proof) => {
                        silent |= matches!(proof, ReleaseProof::ControllerTimeout | ReleaseProof::None);
                        let held = hold.since().map_or(Span::ZERO, |since| now.since(since));
                        Event::Released { output: output.clone(), proof, held }
                    }
                });
            }
        }
        if hurry && !matches!(self.owner, Some(Owner::Release(_))) {
            self.hurry(now);
        }
        // A silence that a retry or a late answer breaks is none.
        if hush {
            if let Some(owner) = self.owner.take() {
                self.dropped(now, owner);
            }
            self.client.abandon(now);
            if !self.client.is_connected() {
                self.lose_link(now, "silent until the controller's own timeout has passed");
            }
        }
        // After the silence in which the controller let go by itself, its session is over as well.
        let timeout = self.config.controller_timeout.or(self.client.longest_silence());
        let over = timeout.is_some_and(|timeout| now.since(self.last_word) >= timeout);
        if silent && over && self.client.is_connected() {
            self.lose_link(now, "silent until the controller's own timeout had passed");
        }
        // Owners carry places in this list, so it is tidied only while nothing is in flight.
        if self.owner.is_none() {
            self.holds.retain(|hold| !hold.is_done());
        }
    }

    /// What to put on the line next.
    pub fn poll_transmit(&mut self) -> Option<Transmit> {
        self.client.poll_transmit()
    }

    /// What has happened.
    pub fn poll_event(&mut self) -> Option<Event> {
        self.events.pop_front()
    }

    /// The next moment at which `timeout` must be called, and why.
    pub fn deadline(&self) -> Option<Deadline> {
        let lead = self.lead();
        let all = self.holds.iter().flat_map(|hold| hold.deadlines(lead));
        let holds = all.filter_map(|deadline| self.still_ahead(deadline)).min();
        let own = if self.client.is_idle() { self.idle_deadline() } else { self.client.deadline() };
        Deadline::earlier(holds, own)
    }
}

#[cfg(test)]
mod single_tests;
#[cfg(test)]
mod tests;
