//! The judge of a gate: a condition with a demand, a dwell and a limit.

use model::event::Outcome;
use model::{ChannelId, Demand, Gate, Judgement, Moment, Sample, Span, Word};

use super::build::shape;
use super::condition::ConditionJudge;
use super::dwell::Dwell;
use super::facts::{ChannelFacts, GateError};
use crate::verdict::Verdict;

/// Judges a gate. Feed it every sample, then ask with [`GateJudge::outcome`]; ask again at the latest at
/// [`GateJudge::deadline`].
///
/// The dwell is credited by the time of readings: between two readings that both pass, with nothing but
/// passes between them. Time after the newest reading counts for nothing, so a gate passes only on readings
/// that cover its dwell. What is unknown for less than the dropout pauses the dwell and is not counted; for
/// longer, it begins anew and the narrow edges count again. Known readings that do not satisfy the demand
/// begin it anew at once.
#[derive(Debug)]
pub struct GateJudge {
    condition: ConditionJudge,
    demand: Demand,
    dwell: Dwell,
    limit_at: Moment,
    // The moment of the last evaluation, and of the last that the caller asked for.
    evaluated: Moment,
    asked: Moment,
    verdict: Verdict,
    // Whether readings ever said a definite no.
    refused: bool,
    ended: Option<(Outcome, Judgement)>,
}

impl GateJudge {
    /// Checks the gate against what is known of its channels and arms it.
    pub fn new(gate: &Gate, facts: &dyn ChannelFacts, armed_at: Moment) -> Result<Self, GateError> {
        if gate.dwell < Span::ZERO || gate.dropout < Span::ZERO {
            return shape("a dwell or dropout is below zero".into());
        }
        if gate.limit <= Span::ZERO {
            return shape("the limit is not above zero".into());
        }
        if gate.limit < gate.dwell {
            return shape(format!("the limit of {} is shorter than the dwell of {}", gate.limit, gate.dwell));
        }
        Ok(Self {
            condition: ConditionJudge::new(&gate.condition, facts, armed_at)?,
            demand: gate.demand,
            dwell: Dwell::new(gate.dwell, gate.dropout),
            limit_at: armed_at + gate.limit,
            evaluated: armed_at,
            asked: armed_at,
            verdict: Verdict::Unknown,
            refused: false,
            ended: None,
        })
    }

    /// The watched channels, each once, in order.
    pub fn channels(&self) -> Vec<ChannelId> {
        self.condition.channels()
    }

    /// Takes a reading in; other channels' are ignored. A reading of unusable quality is not counted, but
    /// findings name it as the reason.
    pub fn sample(&mut self, sample: &Sample) {
        if !self.condition.watches(&sample.channel) {
            return;
        }
        // What grew too old before this reading must be seen before the reading hides it.
        let at = sample.at.max(self.evaluated);
        self.advance(at);
        self.condition.sample(sample);
        self.evaluate(at);
    }

    /// The link came up or went down; everything is unknown while it is down.
    pub fn link(&mut self, up: bool, now: Moment) {
        let at = now.max(self.evaluated);
        self.advance(at);
        self.condition.link(up, now);
        self.evaluate(at);
    }

    /// Judges at this moment: word, findings, dwell and the time left.
    pub fn judge(&mut self, now: Moment) -> Judgement {
        self.word(now);
        self.judgement(now)
    }

    /// The same as [`GateJudge::judge`] without its words, for a caller that only needs to know whether they
    /// changed.
    pub fn word(&mut self, now: Moment) -> Word {
        self.advance(now);
        if self.condition.drop_ahead(now) {
            // Time that was credited up to a moment yet to come is worth nothing.
            self.dwell.refuse();
        }
        self.asked = self.asked.max(now);
        self.evaluate(now);
        self.verdict.word()
    }

    /// How the wait ends, once it does, with what was judged then; afterwards always the same.
    ///
    /// [`Outcome::Met`] when the dwell is done and the readings pass at this moment. At the limit
    /// [`Outcome::TimedOut`] when the readings say no, or said so and then did not pass for long enough;
    /// [`Outcome::Unknown`] when they cannot say, which includes an estimate inside where proof is demanded.
    pub fn outcome(&mut self, now: Moment) -> Option<(Outcome, Judgement)> {
        if self.ended.is_none() {
            self.word(now);
            let outcome = if self.passes() && self.dwell.met() {
                Some(Outcome::Met)
            } else if now < self.limit_at {
                None
            } else if self.verdict < Verdict::Unknown || (self.passes() && self.refused) {
                Some(Outcome::TimedOut)
            } else {
                Some(Outcome::Unknown)
            };
            self.ended = outcome.map(|outcome| (outcome, self.judgement(now)));
        }
        self.ended.clone()
    }

    /// The next moment at which the answer can change without a new reading: a reading grows too old, a
    /// dropout has lasted too long, or the limit comes. The dwell is no such moment, because it is credited by
    /// readings alone.
    pub fn deadline(&self) -> Moment {
        if self.ended.is_some() {
            return Moment::NEVER;
        }
        let after = self.asked;
        let dropout = self.dwell.dropout_over().filter(|at| *at > after);
        let limit = Some(self.limit_at).filter(|at| *at > after);
        let timers = dropout.into_iter().chain(limit).min().unwrap_or(Moment::NEVER);
        timers.min(self.condition.expires_after(after))
    }

    /// Goes through everything that time alone brings about before `to`.
    fn advance(&mut self, to: Moment) {
        loop {
            let after = self.evaluated;
            let dropout = self.dwell.dropout_over().filter(|at| *at > after).unwrap_or(Moment::NEVER);
            let next = self.condition.expires_after(after).min(dropout);
            if next >= to {
                return;
            }
            self.evaluate(next);
        }
    }

    fn evaluate(&mut self, at: Moment) {
        self.evaluated = at;
        self.verdict = self.condition.verdict_at(at);
        if self.verdict == Verdict::Unknown {
            if self.dwell.unknown(at) {
                self.condition.forget_reached();
            }
        } else if self.passes() {
            // Readings from after the limit are too late to be credited.
            if let Some((every, any)) = self.condition.data_until(at) {
                self.dwell.pass(every.min(self.limit_at), any);
            }
        } else {
            self.refused |= self.verdict < Verdict::Unknown;
            self.dwell.refuse();
        }
    }

    fn passes(&self) -> bool {
        match self.demand {
            Demand::Inside => self.verdict >= Verdict::Inside,
            Demand::Proven => self.verdict >= Verdict::ProvenInside,
        }
    }

    fn judgement(&self, now: Moment) -> Judgement {
        Judgement {
            word: self.verdict.word(),
            findings: self.condition.findings(now),
            dwelt: self.dwell.done(),
            dwell: self.dwell.asked(),
            left: self.limit_at.since(now).max(Span::ZERO),
        }
    }
}
