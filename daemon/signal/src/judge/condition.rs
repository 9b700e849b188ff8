//! The judge of a bare condition.

use std::collections::BTreeSet;

use model::judgement::Finding;
use model::{ChannelId, Condition, Moment, Sample, Word};

use super::build::{Builder, Node};
use super::facts::{ChannelFacts, GateError};
use super::leaf::Leaf;
use crate::verdict::Verdict;

/// Judges a condition without dwell or limit, as for drop conditions and guards.
///
/// How each kind is judged, always on the window that ends with the newest reading:
/// - *Above, below, within*: the 95 % interval of the mean against the edges; a single reading is enough,
///   with the uncertainty of one. Once inside, the edges stand wider by the hysteresis until it is left.
/// - *Steady*: see [`crate::settle::steadiness`]. It needs 8 readings and a window filled for at least four
///   fifths of its length.
/// - *Rising, falling*: the change over the window from its line ([`crate::settle::change`]). It needs 4
///   readings and a window filled as for *steady*.
/// - *Changed*: the mean against the mean of the first window filled after the arming.
///
/// All is unknown while the link is down, until there are readings since it came back, and when the newest
/// reading is older than the watch calls fresh. Readings from before the arming are ignored.
#[derive(Debug)]
pub struct ConditionJudge {
    root: Node,
    leaves: Vec<Leaf>,
    link_up: bool,
    now: Moment,
}

impl ConditionJudge {
    /// Checks the condition against what is known of its channels and begins to judge at `armed_at`.
    pub fn new(condition: &Condition, facts: &dyn ChannelFacts, armed_at: Moment) -> Result<Self, GateError> {
        let mut builder = Builder { facts, armed_at, leaves: Vec::new() };
        let root = builder.node(condition, false, 0)?;
        Ok(Self { root, leaves: builder.leaves, link_up: true, now: armed_at })
    }

    /// The watched channels, each once, in order.
    pub fn channels(&self) -> Vec<ChannelId> {
        self.leaves.iter().map(|l| &l.channel).collect::<BTreeSet<_>>().into_iter().cloned().collect()
    }

    /// Takes a reading in; other channels' are ignored, and so are those that come while the link is said to
    /// be down, late or twice.
    pub fn sample(&mut self, sample: &Sample) {
        if self.link_up {
            self.leaves.iter_mut().filter(|l| l.channel == sample.channel).for_each(|l| l.sample(sample));
        }
    }

    /// The link came up or went down. Readings from before a loss say nothing about the car after it.
    pub fn link(&mut self, up: bool, now: Moment) {
        self.now = self.now.max(now);
        if up != self.link_up {
            self.link_up = up;
            self.leaves.iter_mut().for_each(|l| l.begin_anew(now));
        }
    }

    /// The word at this moment.
    pub fn word(&mut self, now: Moment) -> Word {
        self.verdict(now).word()
    }

    /// The same on the finer scale, which tells a proven "outside" from an estimated one.
    pub fn verdict(&mut self, now: Moment) -> Verdict {
        self.now = now;
        self.drop_ahead(now);
        self.verdict_at(now)
    }

    /// What is to be said of each watched channel, in the order written.
    pub fn findings(&self, now: Moment) -> Vec<Finding> {
        self.leaves.iter().map(|l| l.finding(now, self.link_up)).collect()
    }

    /// The next moment at which the word can change without a new reading: when one grows too old.
    pub fn deadline(&self) -> Moment {
        self.expires_after(self.now)
    }

    /// Drops the readings of a channel whose newest lies ahead of the clock: its time is wrong, and kept it
    /// would shut out every later reading.
    /// Gives whether there was one.
    pub(crate) fn drop_ahead(&mut self, now: Moment) -> bool {
        let ahead = |l: &&mut Leaf| l.newest().is_some_and(|at| at > now);
        self.leaves.iter_mut().filter(ahead).map(Leaf::clear).count() > 0
    }

    pub(crate) fn verdict_at(&self, now: Moment) -> Verdict {
        if self.link_up { self.judge_node(&self.root, now) } else { Verdict::Unknown }
    }

    fn judge_node(&self, node: &Node, now: Moment) -> Verdict {
        match node {
            Node::Leaf(i) => self.leaves[*i].verdict(now),
            Node::All(of) => of.iter().map(|n| self.judge_node(n, now)).min().unwrap_or(Verdict::Unknown),
            Node::Any(of) => of.iter().map(|n| self.judge_node(n, now)).max().unwrap_or(Verdict::Unknown),
        }
    }

    /// Up to when there are readings of every channel that is known at `now`, and of any of them.
    pub(crate) fn data_until(&self, now: Moment) -> Option<(Moment, Moment)> {
        let known = self.leaves.iter().filter(|l| l.verdict(now) != Verdict::Unknown);
        let newest = known.filter_map(Leaf::newest);
        newest.fold(None, |range, at| {
            Some(range.map_or((at, at), |(every, any): (Moment, Moment)| (every.min(at), any.max(at))))
        })
    }

    /// The next moment after `moment` at which a reading grows too old.
    pub(crate) fn expires_after(&self, moment: Moment) -> Moment {
        let next = self.leaves.iter().filter_map(Leaf::expires).filter(|at| *at > moment);
        if self.link_up { next.min().unwrap_or(Moment::NEVER) } else { Moment::NEVER }
    }

    pub(crate) fn forget_reached(&mut self) {
        self.leaves.iter_mut().for_each(Leaf::forget_reached);
    }

    /// Whether one of its channels is this one.
    pub(crate) fn watches(&self, channel: &ChannelId) -> bool {
        self.leaves.iter().any(|l| l.channel == *channel)
    }
}
