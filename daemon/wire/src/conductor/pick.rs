//! What goes on an idle wire next.

use model::{Moment, Span};

use super::{Conductor, Owner};
use crate::dialect::Expected;
use crate::hold::Need;
use crate::{Deadline, Reason};

/// The session is kept alive by a request at least this many times in each of the controller's timeouts.
const KEEP_ALIVES: i64 = 2;

impl Conductor {
    /// How long the longest release takes from its turn on the wire to its last character: the gap before it
    /// and its characters. What is in flight by then is not counted here, because nothing begins that could
    /// still be under way ([`Conductor::fits`]).
    pub(super) fn lead(&self) -> Span {
        let longest = self.holds.iter().map(|hold| hold.spec().release.len()).max().unwrap_or(3);
        self.client.lead(longest)
    }

    /// Whether an exchange that begins now is certainly over when the earliest release is due. An answer can
    /// still be put off as pending; then the release does not wait for it.
    fn fits(&self, now: Moment, request: usize, answer: usize) -> bool {
        let lead = self.lead();
        let Some(release_by) = self.holds.iter().map(|hold| hold.release_by(lead)).min() else { return true };
        now + self.client.longest_exchange(request, answer) <= release_by
    }

    /// Notes that something is said on the wire now.
    pub(super) fn spoke(&mut self, now: Moment) {
        self.last_word = self.last_word.max(now);
        for hold in &mut self.holds {
            hold.spoke(now);
        }
    }

    fn send(&mut self, now: Moment, owner: Owner, request: &[u8], expected: &Expected) -> bool {
        self.begun = now;
        match self.client.request(now, request, expected) {
            Ok(()) => {
                self.owner = Some(owner);
                self.spoke(now);
                true
            }
            // A request that is no message cannot be sent at all: its owner learns that it has no answer.
            Err(_) => {
                self.unsendable(owner, request, now);
                false
            }
        }
    }

    /// Fills an idle wire. Says whether anything was begun.
    pub(super) fn fill(&mut self, now: Moment) -> bool {
        if !self.client.is_idle() || !self.wanted {
            return false;
        }
        let lead = self.lead();
        let needs: Vec<Option<Need>> = self.holds.iter_mut().map(|hold| hold.need(now, lead)).collect();
        let find = |need: Need| needs.iter().position(|n| *n == Some(need));
        // A release that can be sent comes before the silence for another hold, which then starts anew.
        let release = find(Need::Release);
        if release.is_none() && find(Need::Silence).is_some() {
            return false;
        }
        if !self.client.is_connected() {
            return self.wake_if_due(now);
        }
        if let Some(i) = release {
            let spec = self.holds[i].spec();
            let (request, expected) = (spec.release.clone(), spec.release_answer.clone());
            self.holds[i].release_sent(now);
            let sent = self.send(now, Owner::Release(i), &request, &expected);
            // A line that never falls silent must not put it off.
            self.client.insist(now);
            return sent;
        }
        if let Some(i) = find(Need::Effect) {
            let read = self.holds[i].spec().effect.and_then(|item| self.config.reads.get(item)).cloned();
            if let Some(read) = read {
                let expected = read.expected(&self.client);
                return self.send(now, Owner::Effect(i), &read.request, &expected);
            }
        }
        if self.link.is_assumed() {
            self.end_assumption(now);
            return self.wake_if_due(now);
        }
        if let Some((request, expected)) = self.setup_request() {
            return self.fits(now, request.len(), expected.length)
                && self.send(now, Owner::Setup, &request, &expected);
        }
        self.fill_set_up(now, find(Need::Engage), find(Need::Refresh))
    }

    /// Fills an idle wire whose session is set up.
    fn fill_set_up(&mut self, now: Moment, engage: Option<usize>, refresh: Option<usize>) -> bool {
        if let Some(i) = engage {
            let (request, expected) = self.engage_request(i);
            if !self.fits(now, request.len(), expected.length) {
                return false;
            }
            self.holds[i].engaging(now);
            return self.send(now, Owner::Engage(i), &request, &expected);
        }
        if let Some(i) = refresh {
            let (request, expected) = self.engage_request(i);
            if self.fits(now, request.len(), expected.length) {
                return self.send(now, Owner::Refresh(i), &request, &expected);
            }
        }
        if now >= self.keep_alive_at() {
            let (request, expected) = self.client.keep_alive();
            if self.fits(now, request.len(), expected.length) {
                return self.send(now, Owner::KeepAlive, &request, &expected);
            }
        }
        if self.holds.iter().any(|hold| hold.may_be_held() && !hold.spec().reading) {
            return false;
        }
        if let Some((ticket, request)) = self.questions.front().cloned()
            && self.fits(now, request.len(), LONGEST_QUESTION)
        {
            self.questions.pop_front();
            let expected = Expected { begins: Vec::new(), length: LONGEST_QUESTION };
            return self.send(now, Owner::Question(ticket), &request, &expected);
        }
        if let Some(i) = self.schedule.pick(now)
            && let Some(read) = self.config.reads.get(i).cloned()
            && self.fits(now, read.request.len(), read.prefix.len() + read.answer)
        {
            self.schedule.begun(i, now);
            let expected = read.expected(&self.client);
            return self.send(now, Owner::Read(i), &read.request, &expected);
        }
        false
    }

    fn engage_request(&self, i: usize) -> (Vec<u8>, Expected) {
        let spec = self.holds[i].spec();
        (spec.engage.clone(), spec.engage_answer.clone())
    }

    fn keep_alive_at(&self) -> Moment {
        let timeouts = [self.config.controller_timeout, self.client.longest_silence()];
        let shortest = timeouts.into_iter().flatten().min();
        shortest.map_or(Moment::NEVER, |timeout| self.last_word + timeout / KEEP_ALIVES)
    }

    /// The next moment at which an idle wire may be filled. What cannot begin because a release is too near
    /// waits for that release, whose own deadline is counted elsewhere.
    pub(super) fn idle_deadline(&self) -> Option<Deadline> {
        if !self.wanted {
            return None;
        }
        if let (true, Some(_)) = (self.away, self.link.retry_at()) {
            return None;
        }
        if let Some(at) = self.link.retry_at() {
            return self.still_ahead(Some(Deadline::new(at, Reason::Retry)));
        }
        if !self.link.is_up() {
            return None;
        }
        let read = self.schedule.next_due().map(|at| Deadline::new(at, Reason::ReadDue));
        let keep_alive = Some(self.keep_alive_at()).filter(|at| *at != Moment::NEVER);
        let keep_alive = keep_alive.map(|at| Deadline::new(at, Reason::KeepAlive));
        Deadline::earlier(self.still_ahead(read), self.still_ahead(keep_alive))
    }

    /// A deadline that has passed was looked at already: what it asked for waits for something else (a release
    /// that is near, an exchange in flight), and offering it again would only spin.
    pub(super) fn still_ahead(&self, deadline: Option<Deadline>) -> Option<Deadline> {
        deadline.filter(|d| d.at > self.looked)
    }
}

/// The longest answer that a single question can get.
const LONGEST_QUESTION: usize = crate::frame::LONGEST_DATA;
