//! One watched channel with its target.

use model::judgement::Finding;
use model::{ChannelId, Moment, Quality, Sample, Span, Uncertainty, Unit, Watch};

use super::facts::ChannelFact;
use super::words::{Why, add};
use crate::interval::{MeanInterval, half_width_95, mean_interval};
use crate::settle::{CHANGE_READINGS, STEADY_READINGS, change, steadiness, substantially_full};
use crate::stats::quantile::Z95;
use crate::stats::{Summary, Window};
use crate::verdict::{Target, Verdict};

/// What is asked of the channel, in its unit.
#[derive(Debug, Clone, Copy)]
pub(crate) enum Kind {
    Level { target: Target, slack: f64 },
    Steady { band: f64 },
    Slope { target: Target },
    Changed { by: f64 },
}

/// What the readings say by themselves, whatever their age.
#[derive(Debug, Clone, Copy)]
struct Said {
    verdict: Verdict,
    interval: Option<MeanInterval>,
    gap: Option<f64>,
    why: Why,
}

#[derive(Debug)]
pub(crate) struct Leaf {
    pub(crate) channel: ChannelId,
    unit: Unit,
    described: Uncertainty,
    over: Span,
    fresh: Span,
    kind: Kind,
    negated: bool,
    target: String,
    not_before: Moment,
    window: Window,
    // The uncertainty that came with the newest reading: of a bent scale one count is not everywhere as wide.
    latest: Uncertainty,
    unusable: Option<(Moment, &'static str)>,
    // Whether the edges are widened, for the estimate and for the whole interval. They are kept apart so
    // that an interval is proven only after it lay within the narrow edges.
    reached: bool,
    proven: bool,
    baseline: Option<MeanInterval>,
    said: Said,
}

const NOTHING_SAID: Said = Said { verdict: Verdict::Unknown, interval: None, gap: None, why: Why::Nothing };

impl Leaf {
    pub(crate) fn new(
        watch: &Watch,
        fact: &ChannelFact,
        kind: Kind,
        negated: bool,
        target: String,
        armed_at: Moment,
    ) -> Self {
        Self {
            channel: watch.channel.clone(),
            unit: fact.unit.clone(),
            described: fact.uncertainty(),
            over: watch.over,
            fresh: watch.fresh,
            kind,
            negated,
            target,
            not_before: armed_at,
            window: Window::new(watch.over),
            latest: fact.uncertainty(),
            unusable: None,
            reached: false,
            proven: false,
            baseline: None,
            said: NOTHING_SAID,
        }
    }

    /// Takes a reading of this channel. Readings from before the arming say nothing about what was to happen
    /// since. A hole longer than the freshness begins the window anew: what the channel did in it is unknown.
    pub(crate) fn sample(&mut self, sample: &Sample) {
        if sample.at < self.not_before {
            return;
        }
        if let Some(reason) = unusable(sample) {
            if self.unusable.is_none_or(|(at, _)| at <= sample.at) {
                self.unusable = Some((sample.at, reason));
            }
            return;
        }
        if self.newest().is_some_and(|newest| sample.at.since(newest) > self.fresh) {
            self.window.clear();
        }
        if self.window.push(sample.at, sample.value, sample.raw) {
            self.latest = usable_uncertainty(&sample.uncertainty).unwrap_or(self.described);
            self.said = self.say();
        }
    }

    /// Forgets all readings, and takes none from before `now`, as when the link is lost or comes back.
    pub(crate) fn begin_anew(&mut self, now: Moment) {
        self.not_before = self.not_before.max(now);
        self.clear();
    }

    /// Forgets all readings.
    pub(crate) fn clear(&mut self) {
        self.window.clear();
        self.said = NOTHING_SAID;
    }

    /// Forgets that the target was reached, so that its narrow edges count again.
    pub(crate) fn forget_reached(&mut self) {
        (self.reached, self.proven) = (false, false);
    }

    pub(crate) fn newest(&self) -> Option<Moment> {
        self.window.newest().map(|r| r.at)
    }

    /// The first moment at which the newest reading is too old.
    pub(crate) fn expires(&self) -> Option<Moment> {
        Some(self.newest()? + self.fresh + Span::from_nanos(1))
    }

    pub(crate) fn verdict(&self, now: Moment) -> Verdict {
        match self.newest() {
            Some(newest) if newest <= now && now.since(newest) <= self.fresh => {
                self.turned(self.said.verdict)
            }
            _ => Verdict::Unknown,
        }
    }

    fn turned(&self, verdict: Verdict) -> Verdict {
        if self.negated { verdict.opposite() } else { verdict }
    }

    fn say(&mut self) -> Said {
        let Some(summary) = self.window.summary() else {
            return Said { why: Why::NoNumber, ..NOTHING_SAID };
        };
        let interval = mean_interval(&summary, &self.latest);
        let blank = Said { interval: Some(interval), ..NOTHING_SAID };
        match self.kind {
            Kind::Level { target, slack } => self.say_level(&interval, target, slack),
            Kind::Steady { band } => self.say_steady(&summary, band, blank),
            Kind::Slope { target } => self.say_slope(&summary, target, blank),
            Kind::Changed { by } => self.say_changed(by, &interval, blank),
        }
    }

    fn say_level(&mut self, interval: &MeanInterval, narrow: Target, slack: f64) -> Said {
        let edges = |wide: bool| if wide { narrow.widened(slack) } else { narrow };
        let MeanInterval { mean, low, high, .. } = *interval;
        let mut verdict = edges(self.reached).judge(mean, low, high);
        if verdict >= Verdict::Inside {
            let all = edges(self.proven).judge(mean, low, high) == Verdict::ProvenInside;
            verdict = if all { Verdict::ProvenInside } else { Verdict::Inside };
        }
        self.reached = verdict >= Verdict::Inside;
        self.proven = verdict == Verdict::ProvenInside;
        let gap = if self.turned(verdict) >= Verdict::Inside {
            0.0
        } else if self.negated {
            way_out(narrow, mean)
        } else {
            narrow.gap(mean)
        };
        let why = if matches!(verdict, Verdict::Inside | Verdict::Outside) {
            straddling(narrow, interval, &self.latest)
        } else {
            Why::Nothing
        };
        Said { verdict, interval: Some(*interval), gap: Some(gap), why }
    }

    fn say_steady(&self, summary: &Summary, band: f64, blank: Said) -> Said {
        if let Some(why) = self.unready(summary, STEADY_READINGS) {
            return Said { why, ..blank };
        }
        let Some(steady) = steadiness(&self.window, summary, &self.latest, band) else {
            return Said { why: Why::NoNumber, ..blank };
        };
        let inside = steady.verdict >= Verdict::Inside;
        let there = self.turned(steady.verdict) >= Verdict::Inside;
        let count = self.latest.resolution;
        let why = if inside && band < count { Why::OneCount { count } } else { Why::Unsteady(steady) };
        // A gap would tell a person to raise or lower the value, when all it should do is rest.
        Said { verdict: steady.verdict, gap: there.then_some(0.0), why, ..blank }
    }

    fn say_slope(&self, summary: &Summary, target: Target, blank: Said) -> Said {
        if let Some(why) = self.unready(summary, CHANGE_READINGS) {
            return Said { why, ..blank };
        }
        let Some(moved) = change(&self.window, summary, &self.latest) else {
            return Said { why: Why::NoNumber, ..blank };
        };
        let (at, half) = (moved.change, moved.half_width);
        let verdict = target.judge(at, at - half, at + half);
        let why = if verdict == Verdict::ProvenInside {
            Why::Nothing
        } else {
            Why::Change { change: at, half_width: half }
        };
        let gap = if self.negated { way_out(target, at) } else { target.gap(at) };
        Said { verdict, gap: Some(gap), why, ..blank }
    }

    fn say_changed(&mut self, by: f64, interval: &MeanInterval, blank: Said) -> Said {
        if self.baseline.is_none() && !substantially_full(&self.window) {
            return Said { why: Why::Filling { have: self.window.run(), need: self.over }, ..blank };
        }
        let base = *self.baseline.get_or_insert(*interval);
        // The shared part drops out of a difference. Two rectangles make a trapezoid; one rectangle of their
        // joint width covers it.
        let rectangle = base.parts.rectangle + interval.parts.rectangle;
        let half = half_width_95(rectangle, base.parts.normal.hypot(interval.parts.normal));
        let moved = interval.mean - base.mean;
        let rest = Target { min: (-by).next_up(), max: by.next_down() };
        let verdict = rest.judge(moved, moved - half, moved + half).opposite();
        let inside = verdict >= Verdict::Inside;
        let toward = if moved >= 0.0 { by - moved } else { -by - moved };
        let gap = if inside == self.negated { toward } else { 0.0 };
        let why = if matches!(verdict, Verdict::Inside | Verdict::Outside) {
            Why::Straddles { half_width: half }
        } else {
            Why::Nothing
        };
        Said { verdict, gap: Some(gap), why, ..blank }
    }

    /// Why a whole window cannot yet be spoken of.
    fn unready(&self, summary: &Summary, need: usize) -> Option<Why> {
        if summary.n < need {
            Some(Why::Few { have: summary.n, need })
        } else if !substantially_full(&self.window) {
            Some(Why::Filling { have: self.window.run(), need: self.over })
        } else {
            None
        }
    }

    /// The finding for people and records.
    pub(crate) fn finding(&self, now: Moment, link_up: bool) -> Finding {
        let newest = self.newest();
        let age = newest.map(|at| now.since(at));
        let verdict = if link_up { self.verdict(now) } else { Verdict::Unknown };
        let mut finding = Finding {
            channel: self.channel.clone(),
            word: verdict.word(),
            estimate: self.said.interval.map(|i| i.estimate(&self.unit)),
            target: self.target.clone(),
            gap: if verdict == Verdict::Unknown { None } else { self.said.gap },
            age,
            because: String::new(),
        };
        match age {
            _ if !link_up => add(&mut finding, "link down"),
            None => add(&mut finding, "no reading yet"),
            Some(age) if age < Span::ZERO => add(&mut finding, "the last reading lies ahead of the clock"),
            Some(age) if age > self.fresh => add(&mut finding, &format!("last reading {age} old")),
            Some(_) => add(&mut finding, &self.said.why.words(&self.unit, self.over)),
        }
        if let Some((at, reason)) = self.unusable
            && newest.is_none_or(|newest| at > newest)
        {
            add(&mut finding, reason);
        }
        finding
    }
}

/// Why a reading cannot be counted.
fn unusable(sample: &Sample) -> Option<&'static str> {
    match sample.quality {
        Quality::Implausible => Some("value implausible"),
        Quality::Saturated => Some("value at the end of the converter"),
        Quality::Invalid => Some("value not available"),
        Quality::Good if !sample.value.is_finite() => Some("value is not a number"),
        Quality::Good => None,
    }
}

/// The uncertainty that came with a reading, where it is one. All zeros means that nothing was said.
fn usable_uncertainty(u: &Uncertainty) -> Option<Uncertainty> {
    let parts = [u.noise, u.resolution, u.shared];
    (parts.iter().all(|x| x.is_finite() && *x >= 0.0) && parts.iter().any(|x| *x > 0.0)).then_some(*u)
}

/// How far a value inside a target is from its nearest edge: the way to "not this".
fn way_out(target: Target, value: f64) -> f64 {
    if !target.holds(value) {
        0.0
    } else if target.max - value < value - target.min {
        target.max - value
    } else {
        target.min - value
    }
}

/// What keeps an interval from lying wholly on one side, the gravest first.
fn straddling(narrow: Target, interval: &MeanInterval, u: &Uncertainty) -> Why {
    let half_width = (interval.high - interval.low) / 2.0;
    let width = narrow.max - narrow.min;
    if width < 2.0 * Z95 * u.shared {
        Why::NarrowerThanShared { half_width: Z95 * u.shared }
    } else if width < 0.95 * u.resolution && !interval.dithered {
        Why::NarrowerThanCount { count: u.resolution }
    } else if width < 2.0 * half_width {
        Why::NarrowerThanInterval { half_width }
    } else {
        Why::Straddles { half_width }
    }
}
