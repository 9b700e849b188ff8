//! Always on: everything goes to rolling segments, and minutes around a trigger are kept.

use std::sync::Arc;

use clock::Clock;
use model::event::Trigger;
use model::{Event, Moment, Problem, Sample, SessionId, Span};
use record::Archive;

use super::archivist::{Archivist, Task, What};
use super::keep_gate::{KeepGate, Seen};
use super::plan::{CapturePlan, RollingPlan};
use super::promise::{Promise, Promises};
use super::promote::RUN_TAG;
use super::series::{Limits, Place, Series};
use super::shelf::{ShelfPlan, rolling_folder};
use super::voice::Voice;

/// Segments are at most this long, so that little more than what is needed is kept back from being removed, and at
/// least this, so that closing them is no great part of the work (our choice, no published source).
const SEGMENT: (Span, Span) = (Span::from_secs(5), Span::from_secs(60));
/// In how many segments the age, the size and the lead are cut at the least.
const CUT: i64 = 8;

/// The rolling record of a capture.
pub(super) struct Rolling {
    plan: RollingPlan,
    run: String,
    pub(super) series: Series,
    gate: Option<KeepGate>,
    promises: Promises,
    promise: Option<Promise>,
    kept: u32,
    begun: Moment,
    pub(super) problems: Vec<Problem>,
}

/// The shelf of a rolling record, which the archivist has. `run` is the name of this run.
pub(super) fn shelf(
    plan: &CapturePlan,
    rolling: &RollingPlan,
    run: &str,
    utc_at_zero: i64,
) -> Result<ShelfPlan, Problem> {
    let (root, run) = (rolling_folder(&plan.archive)?, run.to_string());
    Ok(ShelfPlan { root, run, size: rolling.size, age: rolling.age, utc_at_zero })
}

impl Rolling {
    /// Begins to roll. `run` is the name of this run.
    pub(super) fn begin(
        plan: &Arc<CapturePlan>,
        rolling: &RollingPlan,
        run: &str,
        clock: &Clock,
        sync_every: Option<Span>,
        (now, voice): (Moment, &mut dyn Voice),
    ) -> Result<Self, Problem> {
        let root = rolling_folder(&plan.archive)?;
        let mut archive = Archive::unrecovered(&root)?;
        if let Some(every) = sync_every {
            archive.set_sync_interval(every);
        }
        let promises = Promises::begin(&root, run)?;
        let place = Place {
            archive,
            name: format!("{run}-roll"),
            numbered: true,
            tags: [(RUN_TAG.to_string(), run.to_string())].into(),
            what: What::Segment { needed_from: None },
        };
        let every = rolling.age.min(rolling.before) / CUT;
        let limits = Limits {
            every: Some(every.clamp(SEGMENT.0, SEGMENT.1)),
            size: Some((rolling.size / CUT.unsigned_abs()).max(1)),
        };
        let mut series = Series::new(plan.clone(), clock.clone(), place, limits);
        series.begin(now, "a rolling record", voice)?;
        let facts = link::facts(&plan.car.description);
        let gate =
            rolling.keep_when.clone().map(|gate| KeepGate::arm(gate, facts, rolling.keep_if_already, now));
        let gate = gate.transpose().map_err(|error| {
            let place = model::Place::Argument { name: "--keep-when".into() };
            Problem::new(model::ProblemKind::Argument, place, error.to_string(), "correct the gate")
        })?;
        let (plan, run) = (rolling.clone(), run.to_string());
        let problems = Vec::new();
        Ok(Self { plan, run, series, gate, promises, promise: None, kept: 0, begun: now, problems })
    }

    /// The link came up or went down.
    pub(super) fn link(&mut self, up: bool, now: Moment) {
        if let Some(gate) = &mut self.gate {
            gate.link(up, now);
        }
    }

    /// Takes a reading in; whether it is recorded.
    pub(super) fn sample(&mut self, now: Moment, sample: &Sample) -> bool {
        if let Some(gate) = &mut self.gate {
            gate.sample(sample);
        }
        self.series.sample(now, sample)
    }

    /// Looks whether anything is due: a trigger, a stretch that is whole, a new segment.
    pub(super) fn turn(&mut self, now: Moment, archivist: &mut Archivist, voice: &mut dyn Voice) {
        match self.gate.as_mut().and_then(|gate| gate.look(now)) {
            Some(Seen::Triggered(why)) => self.trigger(now, &why, voice),
            Some(Seen::TrueAlready) => {
                let text = "the trigger is true already: it is waited for to become untrue first (--keep-if-already keeps at once)";
                self.series.event(now, Event::Remark { text: text.into() }, voice);
            }
            None => {}
        }
        // A stretch that later ones could still lap over is left open.
        let whole = self.promise.as_ref().is_some_and(|promise| !promise.laps(now));
        if whole {
            self.keep(now, "what was kept is whole", archivist, voice);
        } else if let Some(promise) = self.promise.as_ref().filter(|promise| self.is_too_long(promise, now)) {
            // What goes on is another session: the rolling record has its limits.
            let (to, last) = (promise.to, promise.triggers.last().cloned());
            self.keep(now, "a kept stretch has reached the limit of the rolling record", archivist, voice);
            if let Some(trigger) = last.filter(|_| to > now) {
                self.promise_around(
                    Trigger { at: trigger.at, why: format!("{} (goes on)", trigger.why) },
                    voice,
                );
                if let Some(promise) = &mut self.promise {
                    promise.from = now;
                }
                self.write_promise(voice);
            }
        }
        self.note_what_is_needed();
        self.series.turn(now, archivist, voice);
    }

    fn is_too_long(&self, promise: &Promise, now: Moment) -> bool {
        // What is only waited for, because it may still lap, is no part of it.
        now.min(promise.to).since(promise.from) > self.plan.age + self.plan.before + self.plan.after
    }

    fn note_what_is_needed(&mut self) {
        let needed_from = self.promise.as_ref().map(|promise| promise.from);
        self.series.becomes(What::Segment { needed_from });
    }

    /// Something happened that is to be kept.
    pub(super) fn trigger(&mut self, now: Moment, why: &str, voice: &mut dyn Voice) {
        let trigger = Trigger { at: now, why: why.to_string() };
        match self.promise.as_mut().filter(|promise| promise.laps(now)) {
            Some(promise) => {
                promise.merge(trigger);
                voice.say(&format!("kept on with {}: {why}", promise.session));
            }
            None => {
                self.promise_around(trigger, voice);
                let there = now.since(self.begun).min(self.plan.before);
                let asked = self.plan.before;
                let short = if there < asked { format!(" of the {asked} asked for") } else { String::new() };
                let after = self.plan.after;
                voice.say(&format!("keeping {there} before{short} and {after} after: {why}"));
            }
        }
        self.write_promise(voice);
    }

    fn promise_around(&mut self, trigger: Trigger, voice: &mut dyn Voice) {
        self.kept += 1;
        let name = format!("{}-kept-{}", self.run, self.kept);
        match SessionId::new(&name) {
            Ok(session) => {
                let (before, after) = (self.plan.before, self.plan.after);
                let promise = Promise::around(session, &self.run, trigger, before, after);
                self.promise = Some(promise);
            }
            Err(error) => voice.say(&format!("NOT KEPT: {error}")),
        }
    }

    fn write_promise(&mut self, voice: &mut dyn Voice) {
        let Some(promise) = &self.promise else { return };
        if let Err(problem) = self.promises.write(promise) {
            // It is kept all the same, unless the program is killed before.
            voice.say(&format!("problem: {problem}"));
            self.problems.push(problem);
        }
    }

    /// Keeps what was promised, as far as it has come.
    fn keep(&mut self, now: Moment, why: &str, archivist: &mut Archivist, voice: &mut dyn Voice) {
        let Some(mut promise) = self.promise.take() else { return };
        promise.to = promise.to.min(now);
        self.series.becomes(What::Segment { needed_from: Some(promise.from) });
        self.series.rotate(now, why, archivist, voice);
        archivist.give(Task::Keep(Box::new(promise)));
    }

    /// A promise is fulfilled: it need not be remembered.
    pub(super) fn fulfilled(&mut self, session: &str) {
        if let Ok(session) = SessionId::new(session)
            && let Err(problem) = self.promises.fulfilled(&session)
        {
            self.problems.push(problem);
        }
    }

    /// Ends it: what was promised is kept as far as it has come.
    pub(super) fn end(
        &mut self,
        now: Moment,
        ending: model::Ending,
        archivist: &mut Archivist,
        voice: &mut dyn Voice,
    ) {
        let promise = self.promise.take();
        self.series.becomes(What::Segment { needed_from: promise.as_ref().map(|promise| promise.from) });
        self.series.end(now, ending, archivist, voice);
        if let Some(mut promise) = promise {
            promise.to = promise.to.min(now);
            archivist.give(Task::Keep(Box::new(promise)));
        }
    }

    /// Nothing is promised any more.
    pub(super) fn over(&self) {
        self.promises.end(&self.run);
    }
}
