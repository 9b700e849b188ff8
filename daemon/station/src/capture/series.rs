//! A series of sessions: one after another, by time or size, with nothing lost between them.

use std::collections::BTreeMap;
use std::sync::Arc;

use clock::Clock;
use model::{
    Ending, Event, EventEnvelope, Exchange, Gap, Moment, Problem, SCHEMA_VERSION, Sample, SessionId, Span,
    StationId,
};
use record::{Archive, SessionWriter};

use super::archivist::{Archivist, Task, What};
use super::plan::CapturePlan;
use super::voice::Voice;
use crate::sides::missed::Missed;

/// After a disk that refused, a new session is tried again after this time (our choice, no published source): long
/// enough not to crowd a full disk, short enough that little is lost once there is room.
const RETRY: Span = Span::from_secs(10);
/// How often a journal's size is looked at.
const LOOK_EVERY: Span = Span::from_millis(250);

/// A session that is being written.
struct Part {
    writer: SessionWriter,
    session: SessionId,
    seq: u64,
    begun: Moment,
    looked: Moment,
}

/// What makes a new session begin.
#[derive(Debug, Clone, Copy, Default)]
pub(super) struct Limits {
    /// This much time.
    pub(super) every: Option<Span>,
    /// This many bytes of journal.
    pub(super) size: Option<u64>,
}

/// Where the sessions of a series go, and what they are called.
pub(super) struct Place {
    /// The archive.
    pub(super) archive: Archive,
    /// The name of the series.
    pub(super) name: String,
    /// Whether a number stands behind it.
    pub(super) numbered: bool,
    /// Tags that every session of it has beside the user's.
    pub(super) tags: BTreeMap<String, String>,
    /// What becomes of a session that is over.
    pub(super) what: What,
}

/// A series of sessions.
pub(super) struct Series {
    plan: Arc<CapturePlan>,
    clock: Clock,
    place: Place,
    limits: Limits,
    utc_at_zero: i64,
    station: StationId,
    number: u32,
    part: Option<Part>,
    retry_at: Option<Moment>,
    /// Records that found no session, and are not yet told in one.
    lost: u64,
    /// Those that the status does not know of yet.
    untold: u64,
    /// Where there is to be a gap in the next session.
    missed: Missed,
    /// What the disk said, once for each time that it began to refuse.
    pub(super) problems: Vec<Problem>,
}

impl Series {
    /// A series of which nothing is begun.
    pub(super) fn new(plan: Arc<CapturePlan>, clock: Clock, place: Place, limits: Limits) -> Self {
        let anchor = clock.anchor();
        Self {
            utc_at_zero: anchor.utc_nanos.saturating_sub(anchor.at.0),
            station: plan.station.clone(),
            plan,
            clock,
            place,
            limits,
            number: 0,
            part: None,
            retry_at: None,
            lost: 0,
            untold: 0,
            missed: Missed::default(),
            problems: Vec::new(),
        }
    }

    /// Number of the session that is being written, from 1.
    pub(super) fn number(&self) -> u32 {
        self.number
    }

    /// What becomes of its sessions from now on.
    pub(super) fn becomes(&mut self, what: What) {
        self.place.what = what;
    }

    /// Begins the next session.
    pub(super) fn begin(&mut self, now: Moment, why: &str, voice: &mut dyn Voice) -> Result<(), Problem> {
        let number = self.number + 1;
        let name = if self.place.numbered || number > 1 {
            format!("{}-{number}", self.place.name)
        } else {
            self.place.name.clone()
        };
        let session = SessionId::new(&name).map_err(|error| {
            let place = model::Place::Argument { name: "session".into() };
            Problem::new(model::ProblemKind::Argument, place, error.to_string(), "choose a shorter name")
        })?;
        let mut head = self.plan.head(session.clone(), self.utc_at_zero);
        head.tags.extend(self.place.tags.clone());
        if self.place.numbered || number > 1 {
            head.tags.insert("part".into(), number.to_string());
        }
        let tags = head.tags.clone();
        let writer = self.place.archive.begin(head)?;
        self.number = number;
        self.part = Some(Part { writer, session, seq: 0, begun: now, looked: now });
        self.retry_at = None;
        let lost = std::mem::take(&mut self.lost);
        self.event(now, self.plan.started(&tags), voice);
        let anchor = self.clock.anchor();
        self.event(anchor.at, anchor.event(), voice);
        if lost > 0 {
            self.event(now, Event::RecordsLost { count: lost }, voice);
        }
        if let Some(part) = &mut self.part {
            self.missed.tell(|gap| {
                part.writer.gap(&gap);
                true
            });
        }
        // Segments of a rolling record come and go by the dozen, and mean nothing by themselves.
        if self.place.what == What::Kept || number == 1 {
            self.event(now, Event::CaptureBegun { why: why.to_string() }, voice);
        }
        Ok(())
    }

    /// Begins the next session where one is due, and ends the one before it.
    pub(super) fn turn(&mut self, now: Moment, archivist: &mut Archivist, voice: &mut dyn Voice) {
        let refused = self.part.as_ref().and_then(|part| part.writer.problem().cloned());
        if let Some(problem) = refused {
            // What it took before stays in its journal, and the next start closes it.
            if let Some(part) = self.part.take()
                && matches!(self.place.what, What::Segment { .. })
            {
                archivist.give(Task::Refused { from: part.begun, to: now });
            }
            self.refuse(now, problem, voice);
        }
        if self.retry_at.is_some_and(|at| now >= at) {
            match self.begin(now, "the disk takes records again", voice) {
                Ok(()) => voice.say("recording goes on in a new session"),
                Err(_) => self.retry_at = Some(now + RETRY),
            }
        }
        let Some(why) = self.is_over(now) else { return };
        self.rotate(now, &why, archivist, voice);
    }

    /// Ends the session that is being written, and begins the next.
    pub(super) fn rotate(
        &mut self,
        now: Moment,
        why: &str,
        archivist: &mut Archivist,
        voice: &mut dyn Voice,
    ) {
        let Some(mut last) = self.part.take() else { return };
        if self.place.what == What::Kept {
            self.write(&mut last, now, Event::CaptureEnded { why: why.to_string() }, voice);
        }
        self.write(&mut last, now, Event::SessionEnded { ending: Ending::Passed }, voice);
        // The next one is there before the last is closed: a disk that takes its time loses nothing between them.
        if let Err(problem) = self.begin(now, why, voice) {
            self.refuse(now, problem, voice);
        }
        self.hand_over(last, now, Ending::Passed, archivist);
    }

    /// Ends the series.
    pub(super) fn end(
        &mut self,
        now: Moment,
        ending: Ending,
        archivist: &mut Archivist,
        voice: &mut dyn Voice,
    ) {
        let Some(mut last) = self.part.take() else { return };
        self.write(&mut last, now, Event::SessionEnded { ending }, voice);
        self.hand_over(last, now, ending, archivist);
    }

    fn hand_over(&self, part: Part, now: Moment, ending: Ending, archivist: &mut Archivist) {
        let Part { writer, begun, .. } = part;
        archivist.give(Task::Close {
            writer: Box::new(writer),
            ending,
            what: self.place.what,
            from: begun,
            to: now,
        });
    }

    fn refuse(&mut self, now: Moment, problem: Problem, voice: &mut dyn Voice) {
        voice.say(&format!("NOT RECORDED: {problem}; the car is read on, and recording is tried again"));
        tracing::error!(%problem, "a capture cannot record");
        self.problems.push(problem);
        self.retry_at = Some(now + RETRY);
    }

    /// Why the session that is being written is over, if it is.
    fn is_over(&mut self, now: Moment) -> Option<String> {
        let part = self.part.as_mut()?;
        if let Some(every) = self.limits.every
            && now.since(part.begun) >= every
        {
            return Some(format!("{every} were over"));
        }
        let size = self.limits.size?;
        if now.since(part.looked) < LOOK_EVERY {
            return None;
        }
        part.looked = now;
        (part.writer.written() >= size).then(|| format!("the journal had reached {size} bytes"))
    }

    /// Takes a reading; whether it is recorded.
    pub(super) fn sample(&mut self, now: Moment, sample: &Sample) -> bool {
        let taken = self.take(now, |writer| writer.sample(sample));
        if !taken {
            self.missed.row(sample.channel.clone(), sample.at, sample.time_uncertainty);
        }
        taken
    }

    /// Takes a reading that did not come; whether it is recorded.
    pub(super) fn gap(&mut self, now: Moment, gap: &Gap) -> bool {
        let taken = self.take(now, |writer| writer.gap(gap));
        if !taken {
            self.missed.row(gap.channel.clone(), gap.at, gap.half);
        }
        taken
    }

    /// Whether there is a session that takes something.
    fn take(&mut self, now: Moment, write: impl FnOnce(&mut SessionWriter)) -> bool {
        if let Some(part) = &mut self.part {
            write(&mut part.writer);
            part.writer.tick(now);
            if part.writer.problem().is_none() {
                return true;
            }
        }
        self.lose();
        false
    }

    fn lose(&mut self) {
        self.lost += 1;
        self.untold += 1;
    }

    /// How many records were lost since this was last asked.
    pub(super) fn newly_lost(&mut self) -> u64 {
        std::mem::take(&mut self.untold)
    }

    /// Takes an exchange.
    pub(super) fn exchange(&mut self, now: Moment, exchange: &Exchange) {
        self.take(now, |writer| writer.exchange(exchange));
    }

    /// Says what time it is.
    pub(super) fn tick(&mut self, now: Moment) {
        if let Some(part) = &mut self.part {
            part.writer.tick(now);
        }
    }

    /// Takes an event.
    pub(super) fn event(&mut self, at: Moment, event: Event, voice: &mut dyn Voice) {
        match self.part.take() {
            Some(mut part) => {
                self.write(&mut part, at, event, voice);
                self.part = Some(part);
            }
            None => self.lose(),
        }
    }

    fn write(&self, part: &mut Part, at: Moment, event: Event, voice: &mut dyn Voice) {
        part.seq += 1;
        let envelope = EventEnvelope {
            schema: SCHEMA_VERSION,
            seq: part.seq,
            station: self.station.clone(),
            session: part.session.clone(),
            at,
            event,
        };
        voice.hear(&envelope);
        part.writer.event(&envelope);
        part.writer.tick(at);
    }
}

/// The name itself, or with the first number behind it under which nothing is in these archives, neither a session nor a
/// part of a series.
pub(super) fn free_name(archives: &[&Archive], name: &str) -> Result<String, Problem> {
    let mut taken: Vec<String> = Vec::new();
    for archive in archives {
        let closed = archive.sessions()?;
        taken.extend(closed.iter().filter_map(|path| Some(path.file_name()?.to_str()?.to_string())));
        taken.extend(archive.unclosed()?);
    }
    let is_taken = |name: &str| taken.iter().any(|t| t == name || t.starts_with(&format!("{name}-")));
    let mut free = name.to_string();
    let mut number = 2;
    while is_taken(&free) {
        // A letter keeps the runs of one name apart from the numbers of its parts.
        free = format!("{name}-r{number}");
        number += 1;
    }
    Ok(free)
}

#[cfg(test)]
mod tests {
    use model::{ChannelId, GapReason};
    use record::{Row, read_session};

    use super::super::archivist::{Done, Work};
    use super::super::testing::{at, reading};
    use super::*;
    use crate::run::About;
    use crate::sides::screen::{Screen, Style};

    fn plan(archive: &std::path::Path) -> CapturePlan {
        CapturePlan {
            car: Arc::new(crate::load::car(None).unwrap()),
            station: StationId::new("bench").unwrap(),
            name: "capture".into(),
            tags: BTreeMap::new(),
            about: About::default(),
            archive: archive.to_path_buf(),
            channels: [(ChannelId::new("rpm").unwrap(), Span::from_millis(100))].into(),
            start_when: None,
            stop_when: None,
            length: None,
            split_every: None,
            split_size: None,
            rolling: None,
            patience: link::Patience::default(),
            screen: Screen::new(Box::new(std::io::sink()), None, Style::Plain),
        }
    }

    #[test]
    fn what_comes_while_the_disk_refuses_is_counted_as_lost_and_stands_as_a_gap_in_the_next_session() {
        let folder = tempfile::tempdir().unwrap();
        let plan = Arc::new(plan(folder.path()));
        let mut voice = plan.screen.clone();
        let archive = Archive::unrecovered(folder.path()).unwrap();
        let mut archivist = Archivist::here(Work::new(Archive::unrecovered(folder.path()).unwrap(), None));
        let place =
            Place { archive, name: "s".into(), numbered: true, tags: BTreeMap::new(), what: What::Kept };
        let mut series = Series::new(plan, Clock::real(), place, Limits::default());
        series.begin(at(0), "from the beginning", &mut voice).unwrap();
        assert!(series.sample(at(1), &reading(1)));
        std::fs::remove_dir_all(folder.path().join(".open/s-1")).unwrap();
        let mut taken = Vec::new();
        for seconds in 2..25 {
            series.turn(at(seconds), &mut archivist, &mut voice);
            taken.push((seconds, series.sample(at(seconds), &reading(seconds))));
        }
        let lost: Vec<i64> = taken.iter().filter(|(_, taken)| !taken).map(|(seconds, _)| *seconds).collect();
        assert!(lost.len() >= 10 && !lost.contains(&24), "{taken:?}");
        assert_eq!((series.newly_lost(), series.newly_lost()), (lost.len() as u64, 0));
        series.end(at(25), Ending::Passed, &mut archivist, &mut voice);
        let [Done::Closed(kept)] = &archivist.finish()[..] else { panic!("one session is closed") };
        let session = read_session(&kept.path).unwrap();
        let rows: Vec<Row> = session.rows().unwrap().map(Result::unwrap).collect();
        let Row::Gap(gap) = &rows[0] else { panic!("{rows:?}") };
        let milli = Span::from_millis(1);
        assert_eq!(gap.why, GapReason::Lost);
        assert_eq!(
            (gap.at - gap.half, gap.at + gap.half),
            (at(lost[0]) - milli, at(lost[lost.len() - 1]) + milli)
        );
        let count = |one: &EventEnvelope| match one.event {
            Event::RecordsLost { count } => Some(count),
            _ => None,
        };
        assert_eq!(session.events.iter().find_map(count), Some(lost.len() as u64));
    }
}
