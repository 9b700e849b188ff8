//! Copying a stretch of rolling segments into a session that is kept.

use model::{Ending, Event, EventEnvelope, Moment, Problem, SCHEMA_VERSION, Span};
use record::{Archive, Row, Session, SessionHead, SessionWriter};

use super::archivist::{Kept, name_of};
use super::promise::Promise;

/// Tags that only a segment has.
pub(super) const RUN_TAG: &str = "rolling";
/// The tag that names the run that a kept session was cut from.
const KEPT_TAG: &str = "kept-of";

/// Keeps what the segments hold of a promised stretch, oldest first; what is `damaged` of it stands in the session.
/// Gives the session with the time before the first trigger and after the last of which there really are readings;
/// none where nothing is left of the stretch.
pub(super) fn promote(
    promise: &Promise,
    archive: &Archive,
    segments: &[Session],
    damaged: &[Problem],
) -> Result<Option<(Kept, Span, Span)>, Problem> {
    let Some(first) = segments.first() else { return Ok(None) };
    let mut copy = Copy::begin(promise, archive, first)?;
    for problem in damaged {
        copy.event(promise.from.max(Moment::ZERO), Event::Problem { problem: problem.clone() });
    }
    for session in segments {
        copy.take(session)?;
    }
    copy.finish().map(Some)
}

/// A copy under way.
struct Copy<'a> {
    promise: &'a Promise,
    head: SessionHead,
    writer: SessionWriter,
    seq: u64,
    /// The first and the last reading in it.
    reach: Option<(Moment, Moment)>,
    /// The last thing in it.
    latest: Moment,
}

impl<'a> Copy<'a> {
    fn begin(promise: &'a Promise, archive: &Archive, first: &Session) -> Result<Self, Problem> {
        let mut head = first.head().clone();
        head.session = promise.session.clone();
        head.tags.remove(RUN_TAG);
        head.tags.remove("part");
        head.tags.insert(KEPT_TAG.into(), promise.run.clone());
        let writer = archive.begin(head.clone())?;
        let mut copy = Self { promise, head, writer, seq: 0, reach: None, latest: promise.from };
        let begun = first.events.iter().find(|one| matches!(one.event, Event::SessionStarted { .. }));
        if let Some(Event::SessionStarted {
            procedure,
            car,
            description_sha256,
            script_sha256,
            program,
            ..
        }) = begun.map(|one| one.event.clone())
        {
            let tags = copy.head.tags.clone();
            let started =
                Event::SessionStarted { procedure, car, description_sha256, script_sha256, program, tags };
            copy.event(promise.from.max(Moment::ZERO), started);
        }
        Ok(copy)
    }

    fn event(&mut self, at: Moment, event: Event) {
        self.seq += 1;
        self.writer.event(&EventEnvelope {
            schema: SCHEMA_VERSION,
            seq: self.seq,
            station: self.head.station.clone(),
            session: self.head.session.clone(),
            at,
            event,
        });
    }

    /// Whether something belongs to the stretch that lasts from one moment to another.
    fn reaches(&mut self, from: Moment, to: Moment) -> bool {
        if to < self.promise.from || from > self.promise.to {
            return false;
        }
        self.latest = self.latest.max(to.min(self.promise.to));
        true
    }

    /// Takes what a segment has of the stretch.
    fn take(&mut self, session: &Session) -> Result<(), Problem> {
        for one in &session.events {
            match one.event {
                // Its own beginning and end are those of a segment, not of the stretch.
                Event::SessionStarted { .. }
                | Event::SessionEnded { .. }
                | Event::CaptureBegun { .. }
                | Event::CaptureEnded { .. } => {}
                _ if self.reaches(one.at, one.at) => self.event(one.at, one.event.clone()),
                _ => {}
            }
        }
        for row in session.rows()? {
            let row = row?;
            let at = row.at();
            match &row {
                Row::Sample(sample) if self.reaches(at, at) => {
                    // Events and gaps are no time of which something is known.
                    let (from, to) = self.reach.get_or_insert((at, at));
                    (*from, *to) = ((*from).min(at), (*to).max(at));
                    self.writer.sample(sample);
                }
                Row::Gap(gap) if self.reaches(at - gap.half, at + gap.half) => self.writer.gap(gap),
                _ => continue,
            }
            self.writer.tick(at);
        }
        Ok(())
    }

    fn finish(mut self) -> Result<(Kept, Span, Span), Problem> {
        let promise = self.promise;
        let (from, to) = self.reach.unwrap_or((promise.to, promise.from));
        let first = promise.triggers.first().map_or(promise.from, |trigger| trigger.at);
        let last = promise.triggers.last().map_or(promise.to, |trigger| trigger.at);
        let (before, after) = (first.since(from).max(Span::ZERO), to.since(last).max(Span::ZERO));
        let end = promise.to.min(self.latest.max(last));
        self.event(
            end,
            Event::KeptAround {
                triggers: promise.triggers.clone(),
                before_asked: promise.before,
                before,
                after_asked: promise.after,
                after,
            },
        );
        self.event(end, Event::SessionEnded { ending: Ending::Passed });
        let closed = self.writer.close(Ending::Passed)?;
        let kept = Kept {
            session: name_of(&closed.path),
            path: closed.path,
            readings: closed.samples,
            events: closed.events,
            bytes: closed.bytes,
        };
        Ok((kept, before, after))
    }
}
