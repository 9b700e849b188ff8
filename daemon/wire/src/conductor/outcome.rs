//! What an exchange's end means for whoever began it.

use model::event::WireFault;
use model::{GapReason, Moment};

use super::{Conductor, Event, Owner};
use crate::dialect::{self, Answer};
use crate::service::NegativeCode;

impl Conductor {
    pub(super) fn take_client_events(&mut self, now: Moment) {
        while let Some(event) = self.client.poll_event() {
            match event {
                dialect::Event::Up(key) => self.awake(key),
                dialect::Event::WakeFailed(fault) => {
                    self.lose_link(now, &format!("the controller did not wake up: {}", words(fault)));
                }
                dialect::Event::WakeRefused(why) => self.lose_link(now, &why),
                dialect::Event::Fault { fault, request, attempt } => {
                    *self.tally.faults.entry(fault).or_default() += 1;
                    if let Some(Owner::Engage(i)) = self.owner {
                        self.holds[i].doubt();
                    }
                    self.events.push_back(Event::Fault { fault, request, attempt });
                }
                dialect::Event::Answered(answer) => {
                    self.tally.exchanges += 1;
                    if let Some(owner) = self.owner.take() {
                        self.answered(now, owner, answer);
                    }
                }
                dialect::Event::GivenUp => {
                    if let Some(owner) = self.owner.take() {
                        self.dropped(now, owner);
                    }
                }
                dialect::Event::Exchange(exchange) => self.events.push_back(Event::Exchange(exchange)),
                dialect::Event::Failed(fault) => {
                    let owner = self.owner.take();
                    self.failed(now, owner, fault);
                }
            }
        }
    }

    fn answered(&mut self, now: Moment, owner: Owner, answer: Answer) {
        let code = answer.refused;
        match owner {
            Owner::Setup => {
                self.tell_refusal(code, &answer.data);
                self.setup_answered(now, code.is_none());
            }
            Owner::Engage(i) => match code {
                None => self.holds[i].engaged(now),
                Some(code) => {
                    let output = self.holds[i].spec().output.clone();
                    self.holds[i].refused(now);
                    self.events.push_back(Event::EngageRefused { output, why: code.to_string() });
                }
            },
            Owner::Refresh(i) => match code {
                None => self.holds[i].engaged(now),
                Some(_) => {
                    self.tell_refusal(code, &answer.data);
                    self.holds[i].refused(now);
                }
            },
            Owner::Release(i) => self.holds[i].release_answered(now, code.is_none()),
            Owner::Effect(i) => {
                if let Some(item) = self.holds[i].spec().effect {
                    self.read(now, item, &answer, code);
                }
            }
            Owner::KeepAlive => self.tell_refusal(code, &answer.data),
            Owner::Question(ticket) => {
                self.events.push_back(Event::Answered { ticket, data: Some(answer.data) });
            }
            Owner::Read(item) => {
                if code.is_none() {
                    self.schedule.took(item, now.since(answer.times.first) + self.client.request_gap());
                } else {
                    self.schedule.put_off(item, now + REFUSED_PAUSE);
                }
                self.read(now, item, &answer, code);
            }
        }
    }

    fn read(&mut self, now: Moment, item: usize, answer: &Answer, code: Option<NegativeCode>) {
        let Some(read) = self.config.reads.get(item) else { return };
        match (code, answer.data.strip_prefix(&read.prefix[..])) {
            (Some(code), _) => {
                self.events.push_back(Event::Refused { request: read.request.clone(), code });
                self.missed(now, item, GapReason::Refused);
            }
            (None, Some(data)) if data.len() == read.answer => {
                let data = data.to_vec();
                self.events.push_back(Event::Read { item, data, times: answer.times });
            }
            // Right checksum, wrong length: the description does not fit this controller. No value of it is
            // delivered.
            (None, _) => {
                *self.tally.faults.entry(WireFault::Malformed).or_default() += 1;
                let request = read.request.clone();
                self.events.push_back(Event::Fault { fault: WireFault::Malformed, request, attempt: 1 });
                self.schedule.put_off(item, answer.times.answered + REFUSED_PAUSE);
                self.missed(now, item, GapReason::Damaged);
            }
        }
    }

    fn tell_refusal(&mut self, code: Option<NegativeCode>, answer: &[u8]) {
        if let (Some(code), Some(service)) = (code, answer.get(1)) {
            self.events.push_back(Event::Refused { request: vec![*service], code });
        }
    }

    /// Every attempt failed. While something is held, its release is tried before the link is given up; a
    /// release that finds no ear means that the controller must be woken again.
    fn failed(&mut self, now: Moment, owner: Option<Owner>, fault: WireFault) {
        match owner {
            Some(Owner::Read(item)) => {
                let silent = matches!(fault, WireFault::NoAnswer);
                let why = if silent { GapReason::NoAnswer } else { GapReason::Damaged };
                self.missed(now, item, why);
            }
            Some(owner) => self.dropped(now, owner),
            None => {}
        }
        // Where there are no negative answers, a controller that answers something else each time says no.
        if let (Some(Owner::Engage(i) | Owner::Refresh(i)), WireFault::Stranger) = (owner, fault)
            && !self.client.has_services()
        {
            let output = self.holds[i].spec().output.clone();
            let engaging = matches!(owner, Some(Owner::Engage(_)));
            self.holds[i].refused(now);
            if engaging {
                let why = "it does not give the answer that its description names".to_string();
                self.events.push_back(Event::EngageRefused { output, why });
            }
            return;
        }
        let held = self.holds.iter().any(|hold| hold.may_be_held());
        let releasing = matches!(owner, Some(Owner::Release(_) | Owner::Effect(_)));
        if held && !releasing && self.client.is_connected() {
            for i in 0..self.holds.len() {
                self.holds[i].release(now, model::event::ReleaseCause::LinkLost);
            }
            return;
        }
        self.lose_link(now, words(fault));
    }

    /// A request that is no message: its owner will never have an answer.
    pub(super) fn unsendable(&mut self, owner: Owner, request: &[u8], now: Moment) {
        *self.tally.faults.entry(WireFault::Malformed).or_default() += 1;
        let request = request.to_vec();
        self.events.push_back(Event::Fault { fault: WireFault::Malformed, request, attempt: 0 });
        match owner {
            Owner::Engage(i) => {
                let output = self.holds[i].spec().output.clone();
                self.holds[i].refused(now);
                let why = "the request does not fit into a message".to_string();
                self.events.push_back(Event::EngageRefused { output, why });
            }
            Owner::Read(item) => {
                self.schedule.put_off(item, Moment::NEVER);
                self.missed(now, item, GapReason::Refused);
            }
            owner => self.dropped(now, owner),
        }
    }
}

/// How long a refused reading is left alone (our choice, no published source): long enough not to crowd the wire
/// with refusals, short enough to see when conditions change.
const REFUSED_PAUSE: model::Span = model::Span::from_secs(2);

fn words(fault: WireFault) -> &'static str {
    match fault {
        WireFault::NoAnswer => "no answer",
        WireFault::Incomplete => "the answer broke off",
        WireFault::Checksum => "wrong checksum",
        WireFault::Malformed => "what came is not a message",
        WireFault::Echo => "what was sent did not come back",
        WireFault::Stranger => "the answer is not to this question",
    }
}
