//! The recorder, as the driver sees it, with an ear for whoever shows events.

use link::Sink;
use model::{EventEnvelope, Gap, Sample};
use record::{Entry, RecorderHandle};

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
    lost: u64,
}

impl std::fmt::Debug for Tape {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Tape").field("lost", &self.lost).finish_non_exhaustive()
    }
}

impl Tape {
    /// A tape in front of a recorder.
    pub fn new(recorder: RecorderHandle, ear: Box<dyn Ear>, pace: Pace) -> Self {
        Self { recorder, ear, pace, waiting: Vec::new(), lost: 0 }
    }

    fn record(&mut self, entry: Entry) {
        match self.pace {
            Pace::Real => self.lost += u64::from(!self.recorder.try_record(entry)),
            Pace::Rehearsal => {
                self.waiting.push(entry);
                if self.waiting.len() >= HANDFUL {
                    self.hand_over();
                }
            }
        }
    }

    fn hand_over(&mut self) {
        for entry in self.waiting.drain(..) {
            self.lost += u64::from(!self.recorder.record_blocking(entry));
        }
    }
}

impl Drop for Tape {
    fn drop(&mut self) {
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

    fn event(&mut self, event: &EventEnvelope) {
        self.ear.hear(event);
        self.record(Entry::Event(event.clone()));
    }

    fn lost(&mut self) -> u64 {
        std::mem::take(&mut self.lost)
    }
}
