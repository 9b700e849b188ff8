//! Decides what of everything that is read is kept, and where.

use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};

use clock::{Clock, Stop};
use model::event::Outcome;
use model::{
    Ending, Event, EventEnvelope, Exchange, Gap, Moment, Problem, SCHEMA_VERSION, Sample, SessionId, Span,
};
use record::Archive;
use signal::GateJudge;

use super::archivist::{Archivist, Done, Kept, What, Work};
use super::plan::{CapturePlan, NamedGate};
use super::rolling::{self, Rolling};
use super::series::{Limits, Place, Series, free_name};
use super::shelf::rolling_folder;
use super::status::Status;
use super::voice::Voice;

/// A link that has never come up is told of after this time, once: a wrong port or description must not look like a
/// slow start (our choice, no published source).
const NO_LINK: Span = Span::from_secs(30);
/// Why the driver was stopped, where the capture itself has ended it.
pub(super) const BY_ITSELF: &str = "the end of the capture";

/// Where it is kept.
#[expect(clippy::large_enum_variant, reason = "there is one of it")]
enum Where {
    /// Nowhere yet: the gate that starts it has not been met.
    Nowhere,
    /// In sessions that are all kept.
    Sessions(Series),
    /// In rolling segments.
    Rolling(Rolling),
}

/// What a keeper is made of.
pub(super) struct KeeperParts {
    /// What is captured.
    pub(super) plan: Arc<CapturePlan>,
    /// The station's clock.
    pub(super) clock: Clock,
    /// How often journals are synced, where not as usual.
    pub(super) sync_every: Option<Span>,
    /// Whether closing has a thread of its own.
    pub(super) beside: bool,
    /// Who hears what it does.
    pub(super) voice: Box<dyn Voice + Send>,
    /// What the live line tells.
    pub(super) status: Status,
    /// Stops the driver.
    pub(super) stop: Stop,
    /// A person wants it to start now.
    pub(super) start: Arc<AtomicBool>,
}

/// How a capture came out, as far as its keeper knows.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Kepts {
    /// Every session that is kept.
    pub(super) sessions: Vec<Kept>,
    /// Whether anything was begun.
    pub(super) begun: bool,
    /// Why it ended, where it has ended itself.
    pub(super) why: Option<String>,
    /// What could not be recorded.
    pub(super) problems: Vec<Problem>,
    /// The name of the series.
    pub(super) name: String,
}

/// Decides what is kept.
pub(super) struct Keeper {
    parts: KeeperParts,
    name: String,
    place: Where,
    archivist: Archivist,
    start: Option<(NamedGate, GateJudge)>,
    stop_gate: Option<(NamedGate, GateJudge)>,
    /// When its time is over.
    until: Moment,
    now: Moment,
    link_up: bool,
    was_up: bool,
    told_no_link: bool,
    /// Why nothing more is kept.
    ended: Option<String>,
    sessions: Vec<Kept>,
    problems: Vec<Problem>,
    /// Events heard before anything is kept.
    unkept: u64,
    /// What is recorded as soon as something is.
    first: Vec<Event>,
}

fn armed(
    gate: Option<&NamedGate>,
    plan: &CapturePlan,
    name: &str,
    now: Moment,
) -> Result<Option<(NamedGate, GateJudge)>, Problem> {
    let Some(gate) = gate else { return Ok(None) };
    let judge = GateJudge::new(&gate.gate, &link::facts(&plan.car.description), now).map_err(|error| {
        let place = model::Place::Argument { name: name.into() };
        Problem::new(model::ProblemKind::Argument, place, error.to_string(), "correct the gate")
    })?;
    Ok(Some((gate.clone(), judge)))
}

impl Keeper {
    /// A keeper that has begun, unless a gate must be met first. `first` is recorded as soon as anything is.
    pub(super) fn begin(mut parts: KeeperParts, first: Vec<Event>) -> Result<Self, Problem> {
        let plan = parts.plan.clone();
        let now = parts.clock.now();
        let archive = Archive::unrecovered(&plan.archive)?;
        let rolling = plan
            .rolling
            .as_ref()
            .map(|_| Archive::unrecovered(&rolling_folder(&plan.archive)?))
            .transpose()?;
        let archives: Vec<&Archive> = std::iter::once(&archive).chain(&rolling).collect();
        let name = free_name(&archives, &plan.name)?;
        let anchor = parts.clock.anchor();
        let utc_at_zero = anchor.utc_nanos.saturating_sub(anchor.at.0);
        let shelf =
            plan.rolling.as_ref().map(|one| rolling::shelf(&plan, one, &name, utc_at_zero)).transpose()?;
        let work = Work::new(archive, shelf);
        let archivist = if parts.beside { Archivist::beside(work) } else { Archivist::here(work) };
        let start = armed(plan.start_when.as_ref(), &plan, "--start-when", now)?;
        // Found wrong now, not when it is armed.
        armed(plan.stop_when.as_ref(), &plan, "--stop-when", now)?;
        if let Some((gate, _)) = &start {
            parts.voice.say(&format!("nothing is kept until {} (type start to begin now)", gate.words));
            parts.status.doing(format!("waiting until {}", gate.words));
        }
        let waits = start.is_some();
        let mut keeper = Self {
            parts,
            name,
            place: Where::Nowhere,
            archivist,
            start,
            stop_gate: None,
            until: Moment::NEVER,
            now,
            link_up: false,
            was_up: false,
            told_no_link: false,
            ended: None,
            sessions: Vec::new(),
            problems: Vec::new(),
            unkept: 0,
            first,
        };
        if !waits {
            keeper.open("from the beginning")?;
        }
        Ok(keeper)
    }

    /// Begins to keep.
    fn open(&mut self, why: &str) -> Result<(), Problem> {
        let (now, plan) = (self.now, self.parts.plan.clone());
        self.start = None;
        self.until = plan.length.map_or(Moment::NEVER, |length| now + length);
        self.stop_gate = armed(plan.stop_when.as_ref(), &plan, "--stop-when", now)?;
        if let Some((_, judge)) = &mut self.stop_gate {
            judge.link(self.link_up, now);
        }
        let (clock, voice) = (&self.parts.clock, &mut *self.parts.voice);
        match &plan.rolling {
            Some(one) => {
                let mut rolling =
                    Rolling::begin(&plan, one, &self.name, clock, self.parts.sync_every, (now, voice))?;
                rolling.link(self.link_up, now);
                self.place = Where::Rolling(rolling);
            }
            None => {
                let mut archive = Archive::unrecovered(&plan.archive)?;
                if let Some(every) = self.parts.sync_every {
                    archive.set_sync_interval(every);
                }
                let numbered = plan.split_every.is_some() || plan.split_size.is_some();
                let tags = if numbered {
                    [("series".to_string(), self.name.clone())].into()
                } else {
                    Default::default()
                };
                let place = Place { archive, name: self.name.clone(), numbered, tags, what: What::Kept };
                let limits = Limits { every: plan.split_every, size: plan.split_size };
                let mut series = Series::new(plan.clone(), clock.clone(), place, limits);
                series.begin(now, why, voice)?;
                self.place = Where::Sessions(series);
            }
        }
        for event in std::mem::take(&mut self.first) {
            self.record(now, event);
        }
        self.say_what_is_done();
        Ok(())
    }

    fn say_what_is_done(&self) {
        self.parts.status.doing(match &self.place {
            Where::Nowhere => return,
            Where::Sessions(series) if series.number() > 1 => format!("capturing part {}", series.number()),
            Where::Sessions(_) => "capturing".into(),
            Where::Rolling(_) => "rolling".into(),
        });
    }

    fn record(&mut self, at: Moment, event: Event) {
        let voice = &mut *self.parts.voice;
        match &mut self.place {
            Where::Sessions(series) => series.event(at, event, voice),
            Where::Rolling(rolling) => rolling.series.event(at, event, voice),
            Where::Nowhere => {
                // It is heard, and belongs to no session.
                self.unkept += 1;
                let session = SessionId::new(&format!("{}-waiting", self.name));
                if let Ok(session) = session.or_else(|_| SessionId::new("waiting")) {
                    let (station, seq) = (self.parts.plan.station.clone(), self.unkept);
                    voice.hear(&EventEnvelope { schema: SCHEMA_VERSION, seq, station, session, at, event });
                }
            }
        }
    }

    /// Takes a reading.
    pub(super) fn sample(&mut self, sample: &Sample) {
        let kept = self.take_sample(sample);
        self.parts.status.reading(sample, kept);
        self.tell_lost();
    }

    /// What a disk that refuses has lost is no reading that is kept.
    fn tell_lost(&mut self) {
        let lost = match &mut self.place {
            Where::Nowhere => 0,
            Where::Sessions(series) => series.newly_lost(),
            Where::Rolling(rolling) => rolling.series.newly_lost(),
        };
        if lost > 0 {
            self.parts.status.lost(lost);
        }
    }

    fn take_sample(&mut self, sample: &Sample) -> bool {
        self.turn(sample.at + sample.time_uncertainty);
        if let Some((_, judge)) = &mut self.start {
            judge.sample(sample);
        }
        if let Some((_, judge)) = &mut self.stop_gate {
            judge.sample(sample);
        }
        if self.ended.is_some() || sample.at >= self.until {
            return false;
        }
        match &mut self.place {
            Where::Nowhere => false,
            Where::Sessions(series) => series.sample(self.now, sample),
            Where::Rolling(rolling) => rolling.sample(self.now, sample),
        }
    }

    /// Takes a reading that did not come.
    pub(super) fn gap(&mut self, gap: &Gap) {
        self.turn(gap.at + gap.half);
        if self.ended.is_some() || gap.at >= self.until {
            return;
        }
        let kept = match &mut self.place {
            Where::Nowhere => false,
            Where::Sessions(series) => series.gap(self.now, gap),
            Where::Rolling(rolling) => rolling.series.gap(self.now, gap),
        };
        if kept {
            self.parts.status.gap();
        }
        self.tell_lost();
    }

    /// Takes an exchange.
    pub(super) fn exchange(&mut self, exchange: &Exchange) {
        self.turn(exchange.at + exchange.took);
        match &mut self.place {
            Where::Sessions(series) if self.ended.is_none() => series.exchange(self.now, exchange),
            _ => {}
        }
    }

    /// Takes an event of the driver.
    pub(super) fn event(&mut self, at: Moment, event: Event) {
        self.turn(at);
        match event {
            Event::LinkUp { .. } => self.link(true, at),
            Event::LinkDown { .. } => self.link(false, at),
            _ => {}
        }
        let mark = match &event {
            Event::Marked { words, .. } if words.is_empty() => Some("a mark".to_string()),
            Event::Marked { words, .. } => Some(format!("a mark: {words}")),
            _ => None,
        };
        self.record(at, event);
        if let (Some(why), None, Where::Rolling(rolling)) = (mark, &self.ended, &mut self.place) {
            rolling.trigger(at, &why, &mut *self.parts.voice);
        }
    }

    fn link(&mut self, up: bool, at: Moment) {
        self.link_up = up;
        self.was_up |= up;
        for gate in [&mut self.start, &mut self.stop_gate].into_iter().flatten() {
            gate.1.link(up, at);
        }
        if let Where::Rolling(rolling) = &mut self.place {
            rolling.link(up, at);
        }
    }

    /// Says what time it is.
    pub(super) fn tick(&mut self, now: Moment) {
        self.turn(now);
        match &mut self.place {
            Where::Nowhere => {}
            Where::Sessions(series) => series.tick(self.now),
            Where::Rolling(rolling) => rolling.series.tick(self.now),
        }
    }

    /// Lets time do what it brings about.
    fn turn(&mut self, now: Moment) {
        self.now = self.now.max(now);
        let now = self.now;
        self.hear_archivist();
        if !self.was_up && !self.told_no_link && now.since(Moment::ZERO) >= NO_LINK {
            self.told_no_link = true;
            let text = format!(
                "no controller has answered for {NO_LINK}: wrong port, wrong description, or the ignition off? It is tried on"
            );
            self.parts.voice.say(&text);
        }
        if let Some((gate, judge)) = &mut self.start {
            let met = judge.outcome(now).filter(|(outcome, _)| *outcome == Outcome::Met);
            let why = match met {
                Some((_, judgement)) => Some(format!("{}: {judgement}", gate.words)),
                None if self.parts.start.load(Ordering::Acquire) => Some("started by hand".into()),
                None => None,
            };
            if let Some(why) = why
                && let Err(problem) = self.open(&why)
            {
                self.give_up(problem);
            }
        }
        if self.ended.is_none() && !matches!(self.place, Where::Nowhere) {
            self.look_for_the_end(now);
        }
        if self.ended.is_some() {
            return;
        }
        let before = self.part();
        let (archivist, voice) = (&mut self.archivist, &mut *self.parts.voice);
        match &mut self.place {
            Where::Nowhere => {}
            Where::Sessions(series) => series.turn(now, archivist, voice),
            Where::Rolling(rolling) => rolling.turn(now, archivist, voice),
        }
        if self.part() != before {
            self.say_what_is_done();
        }
    }

    fn part(&self) -> u32 {
        match &self.place {
            Where::Sessions(series) => series.number(),
            _ => 0,
        }
    }

    /// What was to start cannot: the disk refuses.
    fn give_up(&mut self, problem: Problem) {
        self.parts.voice.say(&format!("NOT RECORDED: {problem}"));
        self.problems.push(problem);
        self.finish_by_itself("nothing can be recorded");
    }

    fn look_for_the_end(&mut self, now: Moment) {
        if now >= self.until {
            let length = self.parts.plan.length.unwrap_or_default();
            return self.finish_by_itself(&format!("{length} were over"));
        }
        let Some((gate, judge)) = &mut self.stop_gate else { return };
        if let Some((Outcome::Met, judgement)) = judge.outcome(now) {
            let why = format!("{}: {judgement}", gate.words);
            self.finish_by_itself(&why);
        }
    }

    fn finish_by_itself(&mut self, why: &str) {
        if !matches!(self.place, Where::Nowhere) {
            self.record(self.now, Event::CaptureEnded { why: why.to_string() });
        }
        self.ended = Some(why.to_string());
        self.parts.stop.raise(BY_ITSELF);
    }

    fn hear_archivist(&mut self) {
        let done = self.archivist.done();
        self.take_done(done);
    }

    fn take_done(&mut self, done: Vec<Done>) {
        for one in done {
            match one {
                Done::Closed(kept) => self.sessions.push(kept),
                Done::Promoted { kept, before, after } => {
                    let path = kept.path.display();
                    self.parts.voice.say(&format!("kept: {before} before, {after} after ({path})"));
                    if let Where::Rolling(rolling) = &mut self.place {
                        rolling.fulfilled(&kept.session);
                    }
                    self.sessions.push(kept);
                }
                Done::Failed(problem) => {
                    self.parts.voice.say(&format!("problem: {problem}"));
                    self.problems.push(problem);
                }
            }
        }
    }

    /// Ends it. `why` stands for whoever stopped it from outside.
    pub(super) fn finish(mut self, at: Moment, ending: Ending, why: &str) -> Kepts {
        self.now = self.now.max(at);
        let now = self.now;
        if self.ended.is_none() && !matches!(self.place, Where::Nowhere) {
            self.record(now, Event::CaptureEnded { why: why.to_string() });
        }
        let (archivist, voice) = (&mut self.archivist, &mut *self.parts.voice);
        match &mut self.place {
            Where::Nowhere => {}
            Where::Sessions(series) => series.end(now, ending, archivist, voice),
            Where::Rolling(rolling) => rolling.end(now, ending, archivist, voice),
        }
        self.tell_lost();
        let done = self.archivist.finish();
        self.take_done(done);
        let begun = !matches!(self.place, Where::Nowhere);
        match &mut self.place {
            Where::Nowhere => {}
            Where::Sessions(series) => self.problems.append(&mut series.problems),
            Where::Rolling(rolling) => {
                self.problems.append(&mut rolling.series.problems);
                self.problems.append(&mut rolling.problems);
                rolling.over();
            }
        }
        Kepts { sessions: self.sessions, begun, why: self.ended, problems: self.problems, name: self.name }
    }
}
