//! Bringing the link up, setting its session up, losing it, trying again.

use model::event::ReleaseCause;
use model::{Moment, Span};

use super::{Conductor, Event, Owner};
use crate::dialect::Expected;
use crate::kline::{KeyBytes, encode_timing};
use crate::service;

/// How far the link is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Stage {
    Down,
    Waking,
    Session,
    Timing,
    Up,
    /// Assumed to be up from a former run; a wake-up comes after the releases.
    Assumed,
}

/// The link's state.
#[derive(Debug)]
pub(super) struct Link {
    stage: Stage,
    key: Option<KeyBytes>,
    retry_at: Moment,
    pause: Span,
    told: bool,
}

impl Default for Link {
    fn default() -> Self {
        Self { stage: Stage::Down, key: None, retry_at: Moment::ZERO, pause: Span::ZERO, told: false }
    }
}

impl Link {
    pub(super) fn is_up(&self) -> bool {
        self.stage == Stage::Up
    }

    pub(super) fn is_assumed(&self) -> bool {
        self.stage == Stage::Assumed
    }

    pub(super) fn assume_up(&mut self) {
        self.stage = Stage::Assumed;
    }

    /// When the next wake-up may begin, while the link is down.
    pub(super) fn retry_at(&self) -> Option<Moment> {
        (self.stage == Stage::Down).then_some(self.retry_at)
    }
}

impl Conductor {
    /// Wakes the controller when it is time to.
    pub(super) fn wake_if_due(&mut self, now: Moment) -> bool {
        if self.away || self.link.stage != Stage::Down || now < self.link.retry_at {
            return false;
        }
        self.link.stage = Stage::Waking;
        self.tally.wakeups += 1;
        self.spoke(now);
        self.client.wake(now);
        true
    }

    /// A wake-up that waits for its turn need wait no longer.
    pub(super) fn retry_at_once(&mut self, now: Moment) {
        self.link.retry_at = self.link.retry_at.min(now);
        self.link.pause = Span::ZERO;
    }

    /// The wake-up worked: the session comes next.
    pub(super) fn awake(&mut self, key: Option<KeyBytes>) {
        self.link.key = key;
        self.link.stage = Stage::Session;
        self.link.pause = Span::ZERO;
    }

    /// After the releases of a former run the link is brought up properly.
    pub(super) fn end_assumption(&mut self, now: Moment) {
        self.client.disconnect();
        self.link.stage = Stage::Down;
        self.link.retry_at = now;
    }

    /// The set-up request that comes next; none when all is set up.
    pub(super) fn setup_request(&mut self) -> Option<(Vec<u8>, Expected)> {
        if self.link.stage == Stage::Session {
            if let Some(kind) = self.config.session {
                let request = vec![service::START_SESSION, kind];
                let length = request.len();
                return Some((request, Expected { begins: Vec::new(), length }));
            }
            self.link.stage = Stage::Timing;
        }
        if self.link.stage == Stage::Timing {
            if let Some((timing, coding)) = &self.config.faster {
                let mut request = vec![service::ACCESS_TIMING, service::SET_TIMES];
                request.extend(encode_timing(timing, coding));
                let length = request.len();
                return Some((request, Expected { begins: vec![service::SET_TIMES], length }));
            }
            self.up();
        }
        None
    }

    /// A set-up request was answered. A refusal is told and lived with: the default session or the default
    /// times are then what there is.
    pub(super) fn setup_answered(&mut self, now: Moment, yes: bool) {
        match self.link.stage {
            Stage::Session => self.link.stage = Stage::Timing,
            Stage::Timing => {
                if let (true, Some((timing, _))) = (yes, &self.config.faster) {
                    self.client.set_timing(*timing);
                    self.expect_costs();
                }
                self.up();
            }
            _ => {}
        }
        self.last_word = self.last_word.max(now);
    }

    /// What was found of costs was found at other times: an item whose cost is believed to be higher than it is
    /// would leave the wire idle until enough of its answers have been seen.
    fn expect_costs(&mut self) {
        let cost = |read| self.config.cost(&self.client, read);
        let costs: Vec<Span> = self.config.reads.iter().map(cost).collect();
        self.schedule.expect(&costs);
    }

    fn up(&mut self) {
        self.link.stage = Stage::Up;
        self.link.told = true;
        self.events.push_back(Event::Up(self.link.key));
    }

    /// The link is lost: everything in flight is dropped, holds begin their release, and the next wake-up
    /// waits longer each time.
    pub(super) fn lose_link(&mut self, now: Moment, why: &str) {
        if let Some(owner) = self.owner.take() {
            self.dropped(now, owner);
        }
        self.client.disconnect();
        // The times in force are those from before the session again.
        if self.config.faster.is_some() {
            self.expect_costs();
        }
        while let Some((ticket, _)) = self.questions.pop_front() {
            self.dropped(now, Owner::Question(ticket));
        }
        if std::mem::take(&mut self.link.told) {
            self.events.push_back(Event::Down(why.to_string()));
        }
        self.link.stage = Stage::Down;
        self.link.key = None;
        let (first, most) = self.config.retry;
        self.link.retry_at = now + self.link.pause;
        self.link.pause = (self.link.pause * 2).clamp(first, most);
        for i in 0..self.holds.len() {
            self.holds[i].release(now, ReleaseCause::LinkLost);
        }
    }
}
