//! A hold as deadlines: engaged, refreshed, released in time, released again until it is known to be back.
//!
//! The window counts from the moment the engaging request is handed to the line, whether or not its answer
//! ever comes: from then on the controller may have obeyed. A release is repeated until the controller
//! answers it and, where a channel shows the effect, that channel agrees. When the time for that is over,
//! this side falls silent until the controller's own timeout must have passed; without such a timeout the
//! words are "key off".

use model::event::{ReleaseCause, ReleaseProof};
use model::{Moment, OutputId, Span};

use crate::dialect::Expected;
use crate::{Deadline, Reason};

/// How long a release is repeated before this side falls silent: some twenty tries at default timing, fewer than
/// the patience of whoever stands at the car (our choice, no published source).
pub const RELEASE_BUDGET: Span = Span::from_secs(3);
/// How long after a confirmed release its effect may take to show before the release is repeated: some ten
/// readings at default timing (our choice, no published source).
pub const EFFECT_TIME: Span = Span::from_millis(1_500);
/// The controller's clock may be slower than ours by as much as this part of its timeout: 5 %, far more than
/// any oscillator's error (our choice, no published source).
const CLOCK_TOLERANCE: i64 = 20;
/// A controller that is still heard after this long of our silence will not time out: nothing is proven then.
const LONGEST_SILENCE: Span = Span::from_secs(60);

/// What a hold is.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct HoldSpec {
    /// Which output.
    pub output: OutputId,
    /// The request that engages it, and refreshes it.
    pub engage: Vec<u8>,
    /// What a positive answer to it is like.
    pub engage_answer: Expected,
    /// The request that releases it.
    pub release: Vec<u8>,
    /// What a positive answer to it is like. A late answer to the engaging request must not be taken for it. One
    /// without any length proves nothing: then a channel must show the effect, or the controller's timeout pass.
    pub release_answer: Expected,
    /// The longest time from the engaging request to the end of the releasing one.
    pub at_most: Span,
    /// How often the controller wants the engaging request repeated.
    pub refresh: Option<Span>,
    /// After how long without a request the controller releases by itself.
    pub controller_timeout: Option<Span>,
    /// The scheduled request whose answer shows whether the output is held.
    pub effect: Option<usize>,
    /// Whether the controller answers readings while the output is held.
    pub reading: bool,
}

/// What a hold needs from the wire now.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Need {
    /// Send the engaging request for the first time.
    Engage,
    /// Send it again.
    Refresh,
    /// Send the releasing request.
    Release,
    /// Read what shows the effect of the release.
    Effect,
    /// Say nothing at all.
    Silence,
}

/// Where a hold is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Stage {
    Intended,
    Engaging,
    Held { refresh_at: Moment },
    Releasing { budget: Moment },
    Effect { budget: Moment, until: Moment },
    Silent { begun: Moment },
    Done,
}

/// What has happened to a hold.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum HoldEvent {
    /// It was given up before its engaging request left.
    NeverEngaged,
    /// The controller confirmed it; the window ends then.
    Engaged(Moment),
    /// A release begins.
    Releasing(ReleaseCause),
    /// It is over.
    Released(ReleaseProof),
}

/// One hold.
#[derive(Debug)]
pub struct Hold {
    spec: HoldSpec,
    stage: Stage,
    since: Option<Moment>,
    last_word: Moment,
    answered: bool,
    doubtful: bool,
    release_sent: bool,
    events: Vec<HoldEvent>,
}

impl Hold {
    /// A hold that is wanted.
    pub fn new(spec: HoldSpec) -> Self {
        Self {
            spec,
            stage: Stage::Intended,
            since: None,
            last_word: Moment::ZERO,
            answered: false,
            doubtful: false,
            release_sent: false,
            events: Vec::new(),
        }
    }

    /// A hold that a former run left behind: only its release is wanted. Its window is over.
    pub fn left_behind(spec: HoldSpec, now: Moment) -> Self {
        let mut hold = Self::new(spec);
        hold.since = Some(now);
        hold.last_word = now;
        hold.stage = Stage::Engaging;
        hold.release(now, ReleaseCause::FormerRun);
        hold
    }

    /// What it is.
    pub fn spec(&self) -> &HoldSpec {
        &self.spec
    }

    /// Whether the controller may hold the output now.
    pub fn may_be_held(&self) -> bool {
        self.since.is_some() && self.stage != Stage::Done
    }

    /// Whether it is over.
    pub fn is_done(&self) -> bool {
        self.stage == Stage::Done
    }

    /// Whether this side says nothing for its sake.
    pub fn is_silent(&self) -> bool {
        matches!(self.stage, Stage::Silent { .. })
    }

    /// Whether its release has begun.
    pub fn is_releasing(&self) -> bool {
        matches!(self.stage, Stage::Releasing { .. } | Stage::Effect { .. } | Stage::Silent { .. })
    }

    /// When the engaging request was handed to the line.
    pub fn since(&self) -> Option<Moment> {
        self.since
    }

    /// When the window is over.
    pub fn window_end(&self) -> Moment {
        self.since.map_or(Moment::NEVER, |since| since + self.spec.at_most)
    }

    /// The last moment at which a release that takes `lead` to send ends inside the window.
    pub fn release_by(&self, lead: Span) -> Moment {
        match self.stage {
            Stage::Engaging | Stage::Held { .. } => self.window_end() - lead,
            _ => Moment::NEVER,
        }
    }

    /// What it needs now. Says that the time is `now`, so call it again after each deadline.
    pub fn need(&mut self, now: Moment, lead: Span) -> Option<Need> {
        if now >= self.release_by(lead) {
            self.release(now, ReleaseCause::WindowOver);
        }
        self.expire(now);
        match self.stage {
            Stage::Intended => Some(Need::Engage),
            Stage::Held { refresh_at } if now >= refresh_at => Some(Need::Refresh),
            Stage::Releasing { .. } => Some(Need::Release),
            Stage::Effect { .. } => Some(Need::Effect),
            Stage::Silent { .. } => Some(Need::Silence),
            Stage::Engaging | Stage::Held { .. } | Stage::Done => None,
        }
    }

    fn expire(&mut self, now: Moment) {
        match self.stage {
            Stage::Releasing { budget } if now >= budget => self.fall_silent(now),
            Stage::Effect { budget, until } if now >= until => {
                // Confirmed by the controller, but the channel does not agree or does not come: once more.
                self.answered = false;
                self.stage = Stage::Releasing { budget };
                self.expire(now);
            }
            // Whatever was said or heard meanwhile starts the controller's timeout anew.
            Stage::Silent { .. } if now >= self.silent_until() => {
                self.finish(ReleaseProof::ControllerTimeout);
            }
            Stage::Silent { begun } if now >= begun + LONGEST_SILENCE => self.finish(ReleaseProof::None),
            _ => {}
        }
    }

    fn fall_silent(&mut self, now: Moment) {
        if self.spec.controller_timeout.is_some() {
            self.stage = Stage::Silent { begun: now };
            self.expire(now);
        } else {
            self.finish(ReleaseProof::None);
        }
    }

    /// When the controller's own timeout must have passed.
    fn silent_until(&self) -> Moment {
        self.spec.controller_timeout.map_or(Moment::NEVER, |t| self.last_word + t + t / CLOCK_TOLERANCE)
    }

    fn finish(&mut self, proof: ReleaseProof) {
        self.stage = Stage::Done;
        self.events.push(HoldEvent::Released(proof));
    }

    /// The moments at which `need` may change by itself: the window's, and the one of what it is doing. Two,
    /// because one that has passed without being served must not hide the other.
    pub fn deadlines(&self, lead: Span) -> [Option<Deadline>; 2] {
        let release_by = self.release_by(lead);
        let window = (release_by != Moment::NEVER).then(|| Deadline::new(release_by, Reason::HoldRelease));
        let own = match self.stage {
            Stage::Held { refresh_at } if self.spec.refresh.is_some() => {
                Some(Deadline::new(refresh_at, Reason::HoldRefresh))
            }
            Stage::Releasing { budget } => Some(Deadline::new(budget, Reason::HoldRelease)),
            Stage::Effect { until, .. } => Some(Deadline::new(until, Reason::HoldEffect)),
            Stage::Silent { begun } => {
                let at = self.silent_until().min(begun + LONGEST_SILENCE);
                Some(Deadline::new(at, Reason::ControllerTimeout))
            }
            _ => None,
        };
        [window, own]
    }

    /// The releasing request is handed to the line for the first time: its budget counts from here, so that
    /// what was in flight before it does not eat it up.
    pub fn release_sent(&mut self, now: Moment) {
        if let Stage::Releasing { budget } = &mut self.stage
            && !std::mem::replace(&mut self.release_sent, true)
        {
            *budget = (*budget).max(now + RELEASE_BUDGET);
        }
    }

    /// The engaging request is handed to the line.
    pub fn engaging(&mut self, now: Moment) {
        if self.stage == Stage::Intended {
            self.since = Some(now);
            self.stage = Stage::Engaging;
        }
    }

    /// Anything is handed to the line or heard on it: the controller's own timeout may start again.
    pub fn spoke(&mut self, now: Moment) {
        self.last_word = self.last_word.max(now);
    }

    /// The controller confirmed the engaging request, or its refresh.
    pub fn engaged(&mut self, now: Moment) {
        let refresh_at = self.spec.refresh.map_or(Moment::NEVER, |every| now + every);
        match self.stage {
            Stage::Engaging => {
                self.stage = Stage::Held { refresh_at };
                self.events.push(HoldEvent::Engaged(self.window_end()));
            }
            Stage::Held { .. } => self.stage = Stage::Held { refresh_at },
            _ => {}
        }
    }

    /// An attempt at the engaging request had no readable answer: the controller may have obeyed it.
    pub fn doubt(&mut self) {
        self.doubtful = true;
    }

    /// The controller refused the engaging request: nothing was taken over, unless an earlier attempt may have
    /// been obeyed. A refused refresh is released.
    pub fn refused(&mut self, now: Moment) {
        match self.stage {
            Stage::Engaging if self.doubtful => self.release(now, ReleaseCause::Refused),
            Stage::Engaging => {
                self.since = None;
                self.stage = Stage::Done;
            }
            Stage::Held { .. } => self.release(now, ReleaseCause::Refused),
            _ => {}
        }
    }

    /// Moves the window's end: it lasts this long from its beginning. A release that has begun goes on, and a
    /// window is never made shorter than it was.
    pub fn extend(&mut self, at_most: Span) {
        if matches!(self.stage, Stage::Intended | Stage::Engaging | Stage::Held { .. }) {
            self.spec.at_most = self.spec.at_most.max(at_most);
        }
    }

    /// Gives it back. What was never engaged is over at once; a release that has begun goes on.
    pub fn release(&mut self, now: Moment, cause: ReleaseCause) {
        match self.stage {
            Stage::Intended => {
                self.stage = Stage::Done;
                self.events.push(HoldEvent::NeverEngaged);
            }
            Stage::Engaging | Stage::Held { .. } => {
                self.stage = Stage::Releasing { budget: now + RELEASE_BUDGET };
                self.events.push(HoldEvent::Releasing(cause));
            }
            _ => {}
        }
    }

    /// The controller answered the release: yes or no.
    pub fn release_answered(&mut self, now: Moment, yes: bool) {
        let Stage::Releasing { budget } = self.stage else { return };
        self.answered |= yes;
        // A "no" proves nothing either way (the session in which the output was held may be over): where a
        // channel shows the effect, it decides; where none does, the release is repeated.
        match (self.spec.effect, yes) {
            (Some(_), _) => {
                self.stage = Stage::Effect { budget, until: (now + EFFECT_TIME).min(budget.max(now)) }
            }
            (None, true) if !self.releases_unanswered() => self.finish(ReleaseProof::Controller),
            (None, _) => {}
        }
    }

    /// Whether no answer to the release is to be had.
    fn releases_unanswered(&self) -> bool {
        self.spec.release_answer.length == 0
    }

    /// A reading shows whether the output is held. Counts only while the effect of a release is waited for: the
    /// wire is serial, so such a reading was asked after the release was answered.
    pub fn effect(&mut self, now: Moment, held: bool) {
        if let Stage::Effect { budget, .. } = self.stage {
            match (held, self.answered) {
                (false, true) if self.releases_unanswered() => self.finish(ReleaseProof::Effect),
                (false, true) => self.finish(ReleaseProof::ControllerAndEffect),
                // Seen to be back although the controller refused the release: it had let go by itself.
                (false, false) => self.finish(ReleaseProof::ControllerTimeout),
                (true, false) => {
                    self.stage = Stage::Releasing { budget };
                    self.expire(now);
                }
                (true, true) => {}
            }
        }
    }

    /// What has happened, oldest first.
    pub fn take_events(&mut self) -> Vec<HoldEvent> {
        std::mem::take(&mut self.events)
    }
}

#[cfg(test)]
mod tests;
