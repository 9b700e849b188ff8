//! The gate that triggers keeping: once each time it becomes true.

use std::collections::BTreeMap;

use model::event::Outcome;
use model::{ChannelId, Condition, Demand, Gate, Moment, Sample, Span};
use signal::{ChannelFact, GateError, GateJudge};

use super::plan::NamedGate;

/// What it waits for.
#[derive(Debug)]
enum Waits {
    /// That it becomes untrue: it was true when it was armed, or has just triggered.
    Untrue(Box<GateJudge>),
    /// That it becomes true.
    True(Box<GateJudge>),
}

/// What a look at it brought.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) enum Seen {
    /// It became true: with what was judged.
    Triggered(String),
    /// It was true already when it was armed, and is waited for to become untrue first.
    TrueAlready,
}

/// The gate, armed again after each time.
#[derive(Debug)]
pub(super) struct KeepGate {
    gate: NamedGate,
    facts: BTreeMap<ChannelId, ChannelFact>,
    waits: Waits,
    link_up: bool,
    /// Whether a true beginning has been looked for.
    looked: bool,
    /// Judges the gate as it is while it is waited for to become untrue for the first time.
    already: Option<Box<GateJudge>>,
}

/// The opposite of a gate. A level counts as left at once; what was asked to last need not last to be untrue.
fn opposite(gate: &Gate) -> Gate {
    Gate {
        condition: Condition::Not { of: Box::new(gate.condition.clone()) },
        demand: Demand::Inside,
        dwell: Span::ZERO,
        dropout: gate.dropout,
        limit: gate.limit,
    }
}

impl KeepGate {
    /// Arms it. A trigger that is true already waits until it becomes untrue, unless `if_already`.
    pub(super) fn arm(
        gate: NamedGate,
        facts: BTreeMap<ChannelId, ChannelFact>,
        if_already: bool,
        now: Moment,
    ) -> Result<Self, GateError> {
        let waits = if if_already {
            Waits::True(Box::new(GateJudge::new(&gate.gate, &facts, now)?))
        } else {
            Waits::Untrue(Box::new(GateJudge::new(&opposite(&gate.gate), &facts, now)?))
        };
        let already =
            if if_already { None } else { Some(Box::new(GateJudge::new(&gate.gate, &facts, now)?)) };
        let mut armed = Self { gate, facts, waits, link_up: false, looked: if_already, already };
        armed.link(false, now);
        Ok(armed)
    }

    fn judges(&mut self) -> impl Iterator<Item = &mut GateJudge> {
        let (Waits::Untrue(judge) | Waits::True(judge)) = &mut self.waits;
        std::iter::once(&mut **judge).chain(self.already.as_deref_mut())
    }

    /// The link came up or went down.
    pub(super) fn link(&mut self, up: bool, now: Moment) {
        self.link_up = up;
        self.judges().for_each(|judge| judge.link(up, now));
    }

    /// Takes a reading in.
    pub(super) fn sample(&mut self, sample: &Sample) {
        self.judges().for_each(|judge| judge.sample(sample));
    }

    /// Looks whether anything has changed.
    pub(super) fn look(&mut self, now: Moment) -> Option<Seen> {
        match &mut self.waits {
            Waits::Untrue(judge) => {
                let untrue = matches!(judge.outcome(now), Some((Outcome::Met, _)));
                if untrue {
                    self.looked = true;
                    self.already = None;
                    self.waits = Waits::True(self.judge(&self.gate.gate.clone(), now));
                    return None;
                }
                let already = self.already.as_mut().filter(|_| !self.looked)?;
                let is_true = matches!(already.outcome(now), Some((Outcome::Met, _)));
                is_true.then(|| {
                    self.looked = true;
                    self.already = None;
                    Seen::TrueAlready
                })
            }
            Waits::True(judge) => {
                let (outcome, judgement) = judge.outcome(now)?;
                let next = opposite(&self.gate.gate);
                self.waits = Waits::Untrue(self.judge(&next, now));
                (outcome == Outcome::Met)
                    .then(|| Seen::Triggered(format!("{}: {judgement}", self.gate.words)))
            }
        }
    }

    fn judge(&self, gate: &Gate, now: Moment) -> Box<GateJudge> {
        let mut judge = GateJudge::new(gate, &self.facts, now).expect("it was armed before");
        judge.link(self.link_up, now);
        Box::new(judge)
    }
}

#[cfg(test)]
mod tests {
    use model::{Quality, Uncertainty};

    use super::*;

    /// Feeds a course of engine speed, one reading each 100 ms, and gives what was seen with its second.
    fn course(text: &str, if_already: bool, rpm: impl Fn(f64) -> f64, seconds: i64) -> Vec<(i64, Seen)> {
        let car = crate::load::car(None).unwrap().description;
        let gate = crate::capture::gate("--keep-when", text, &car).unwrap();
        let named = NamedGate { words: text.into(), gate };
        let mut keep = KeepGate::arm(named, link::facts(&car), if_already, Moment::ZERO).unwrap();
        keep.link(true, Moment::ZERO);
        let mut seen = Vec::new();
        for i in 0..seconds * 10 {
            let at = Moment::ZERO + Span::from_millis(100 * i);
            let value = rpm(at.as_secs_f64());
            keep.sample(&Sample {
                channel: ChannelId::new("rpm").unwrap(),
                at,
                time_uncertainty: Span::ZERO,
                raw: value as i64 * 2,
                value,
                uncertainty: Uncertainty { noise: 7.0, resolution: 0.5, shared: 1.0 },
                quality: Quality::Good,
            });
            seen.extend(keep.look(at).map(|what| (i / 10, what)));
        }
        seen
    }

    /// Slow, but for 20 to 25 s and 40 to 45 s.
    fn two_bursts(seconds: f64) -> f64 {
        if (20.0..25.0).contains(&seconds) || (40.0..45.0).contains(&seconds) { 2_000.0 } else { 800.0 }
    }

    fn triggers(seen: &[(i64, Seen)]) -> Vec<i64> {
        seen.iter().filter(|(_, what)| matches!(what, Seen::Triggered(_))).map(|(at, _)| *at).collect()
    }

    #[test]
    fn it_triggers_once_each_time_it_becomes_true() {
        let at = triggers(&course("rpm above 1500 {rev}/min", false, two_bursts, 60));
        assert_eq!(at.len(), 2, "{at:?}");
        assert!((20..=23).contains(&at[0]) && (40..=43).contains(&at[1]), "{at:?}");
        // It must last as long as was asked.
        assert_eq!(triggers(&course("rpm above 1500 {rev}/min for 10 s", false, two_bursts, 60)), [0; 0]);
    }

    #[test]
    fn one_that_is_true_already_waits_to_become_untrue_unless_it_is_told_not_to() {
        let fast_first = |seconds: f64| if (10.0..20.0).contains(&seconds) { 800.0 } else { 2_000.0 };
        let seen = course("rpm above 1500 {rev}/min", false, fast_first, 30);
        assert_eq!(seen[0].1, Seen::TrueAlready);
        assert_eq!(triggers(&seen).len(), 1, "{seen:?}");
        assert!(triggers(&seen)[0] >= 20, "{seen:?}");
        let seen = course("rpm above 1500 {rev}/min", true, fast_first, 30);
        assert_eq!(triggers(&seen).len(), 2, "{seen:?}");
        assert!(triggers(&seen)[0] < 3, "{seen:?}");
    }
}
