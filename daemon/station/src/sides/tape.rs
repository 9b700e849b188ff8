//! The recorder, as the driver sees it, with an ear for whoever shows events.

use link::Sink;
use model::{EventEnvelope, Exchange, Gap, Problem, Sample};
use record::{Entry, RecorderHandle};

use super::missed::Missed;

/// Hears every event as it is recorded.
pub trait Ear {
    /// An event.
    fn hear(&mut self, event: &EventEnvelope);
}

/// How recorder and driver keep step.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Pace {
    /// The driver never waits; what a full queue refuses is counted as lost.
    Real,
    /// The clock stands still while the driver waits, so a full queue is waited for, and entries are handed
    /// over by the hundred: waking the recorder's thread for each would take longer than recording it.
    Rehearsal,
}

/// Entries handed over together in a rehearsal.
const HANDFUL: usize = 256;

/// Hands samples and events to the recorder, and events to an ear.
pub struct Tape {
    recorder: RecorderHandle,
    ear: Box<dyn Ear>,
    pace: Pace,
    waiting: Vec<Entry>,
    traces: bool,
    lost: u64,
    missed: Missed,
    told_stopped: bool,
}

impl std::fmt::Debug for Tape {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Tape").field("lost", &self.lost).finish_non_exhaustive()
    }
}

impl Tape {
    /// A tape in front of a recorder.
    pub fn new(recorder: RecorderHandle, ear: Box<dyn Ear>, pace: Pace) -> Self {
        let (waiting, missed) = (Vec::new(), Missed::default());
        Self { recorder, ear, pace, waiting, traces: false, lost: 0, missed, told_stopped: false }
    }

    /// Whether it wants every exchange as it was on the wire.
    pub fn tracing(mut self, wanted: bool) -> Self {
        self.traces = wanted;
        self
    }

    fn record(&mut self, entry: Entry) {
        match self.pace {
            Pace::Real => {
                self.tell_missed();
                self.try_record(entry);
            }
            Pace::Rehearsal => {
                self.waiting.push(entry);
                if self.waiting.len() >= HANDFUL {
                    self.hand_over();
                }
            }
        }
    }

    fn try_record(&mut self, entry: Entry) {
        let row = match &entry {
            Entry::Sample(sample) => Some((sample.channel.clone(), sample.at, sample.time_uncertainty)),
            Entry::Gap(gap) => Some((gap.channel.clone(), gap.at, gap.half)),
            _ => None,
        };
        if self.recorder.try_record(entry) {
            return;
        }
        self.lost += 1;
        if let Some((channel, at, half)) = row {
            self.missed.row(channel, at, half);
        }
    }

    /// Has what found no room stand in the record as one gap for each channel, as soon as there is room again.
    fn tell_missed(&mut self) {
        let recorder = &self.recorder;
        self.missed.tell(|gap| recorder.try_record(Entry::Gap(gap)));
    }

    fn hand_over(&mut self) {
        for entry in self.waiting.drain(..) {
            self.lost += u64::from(!self.recorder.record_blocking(entry));
        }
    }
}

impl Drop for Tape {
    fn drop(&mut self) {
        self.tell_missed();
        self.hand_over();
    }
}

impl Sink for Tape {
    fn sample(&mut self, sample: &Sample) {
        self.record(Entry::Sample(sample.clone()));
    }

    fn gap(&mut self, gap: &Gap) {
        self.record(Entry::Gap(gap.clone()));
    }

    fn exchange(&mut self, exchange: &Exchange) {
        self.record(Entry::Exchange(exchange.clone()));
    }

    fn wants_exchanges(&self) -> bool {
        self.traces
    }

    fn event(&mut self, event: &EventEnvelope) {
        self.ear.hear(event);
        self.record(Entry::Event(event.clone()));
    }

    fn lost(&mut self) -> u64 {
        let lost = std::mem::take(&mut self.lost);
        // Of a recording that has stopped nobody need be told again and again that it lacks what follows.
        if self.told_stopped { 0 } else { lost }
    }

    fn stopped(&mut self) -> Option<Problem> {
        if self.told_stopped {
            return None;
        }
        let problem = self.recorder.problem()?;
        self.told_stopped = true;
        Some(problem)
    }
}

#[cfg(test)]
mod tests {
    use std::collections::BTreeMap;
    use std::sync::mpsc::sync_channel;

    use super::*;
    use model::{ChannelId, Ending, GapReason, Moment, Quality, SessionId, Span, StationId, Uncertainty};
    use record::{Archive, Recorder, Row, SessionHead, read_session};

    struct Deaf;

    impl Ear for Deaf {
        fn hear(&mut self, _: &EventEnvelope) {}
    }

    fn head() -> SessionHead {
        SessionHead {
            session: SessionId::new("s1").unwrap(),
            station: StationId::new("bench").unwrap(),
            car: "bench-car".into(),
            procedure: None,
            program: "0".into(),
            utc_nanos: 0,
            job: model::Job::default(),
            tags: BTreeMap::new(),
            description_sha256: String::new(),
            script_sha256: None,
            channels: Vec::new(),
        }
    }

    fn sample(channel: &str, ms: i64) -> Sample {
        Sample {
            channel: ChannelId::new(channel).unwrap(),
            at: Moment::ZERO + Span::from_millis(ms),
            time_uncertainty: Span::from_millis(1),
            raw: ms,
            value: ms as f64,
            uncertainty: Uncertainty::default(),
            quality: Quality::Good,
        }
    }

    #[test]
    fn rows_that_found_no_room_stand_in_the_record_as_a_gap_of_their_channel() {
        let folder = tempfile::tempdir().unwrap();
        let (archive, _) = Archive::open(folder.path()).unwrap();
        let recorder = Recorder::start(archive.begin(head()).unwrap(), 4).unwrap();
        let mut tape = Tape::new(recorder.handle(), Box::new(Deaf), Pace::Real);
        // The reply holds the recorder until the test lets go, as a slow disk would.
        let (begins, begun) = sync_channel(1);
        let (let_go, hold) = sync_channel::<()>(0);
        assert!(recorder.handle().record_blocking(Entry::Sync(Box::new(move |_| {
            begins.send(()).ok();
            hold.recv().ok();
        }))));
        begun.recv().unwrap();
        for i in 0..20 {
            tape.sample(&sample(if i % 2 == 0 { "rpm" } else { "volts" }, i * 10));
        }
        let lost = tape.lost();
        assert_eq!(lost, 16, "a queue of four");
        drop(let_go);
        recorder.handle().sync_blocking().unwrap();
        tape.sample(&sample("rpm", 500));
        assert_eq!((tape.lost(), tape.stopped()), (0, None));
        drop(tape);
        let session = read_session(&recorder.finish(Ending::Passed).unwrap().path).unwrap();
        let mut gaps = Vec::new();
        let mut kept = 0;
        for row in session.rows().unwrap().map(Result::unwrap) {
            match row {
                Row::Sample(_) => kept += 1,
                Row::Gap(gap) => gaps.push(gap),
            }
        }
        assert_eq!(kept + lost, 21);
        assert_eq!(gaps.len(), 2, "{gaps:?}");
        // From the interval of the first row that found no room to that of the last.
        let milli = Span::from_millis;
        for (gap, (first, last)) in gaps.iter().zip([(40, 180), (50, 190)]) {
            assert_eq!(gap.why, GapReason::Lost);
            assert_eq!(gap.at - gap.half, Moment::ZERO + milli(first - 1), "{gap:?}");
            assert_eq!(gap.at + gap.half, Moment::ZERO + milli(last + 1), "{gap:?}");
        }
    }

    #[test]
    fn a_recording_that_stops_is_told_once_and_its_losses_no_more() {
        let folder = tempfile::tempdir().unwrap();
        let (archive, _) = Archive::open(folder.path()).unwrap();
        let recorder = Recorder::start(archive.begin(head()).unwrap(), 4).unwrap();
        let mut tape = Tape::new(recorder.handle(), Box::new(Deaf), Pace::Real);
        tape.sample(&sample("rpm", 0));
        assert_eq!(tape.stopped(), None);
        std::fs::remove_dir_all(folder.path().join(".open/s1")).unwrap();
        recorder.handle().sync_blocking().unwrap_err();
        // The problem is known to the thread's other side once another entry has passed through it.
        recorder.handle().sync_blocking().unwrap_err();
        let problem = tape.stopped().unwrap();
        assert!(problem.seen.contains("removed"), "{problem}");
        tape.sample(&sample("rpm", 10));
        assert_eq!((tape.lost(), tape.stopped()), (0, None));
    }
}
