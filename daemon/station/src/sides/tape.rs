//! The recorder, as the driver sees it, with an ear for whoever shows events.

use link::Sink;
use model::{EventEnvelope, Sample};
use record::{Entry, RecorderHandle};

/// Hears every event as it is recorded.
pub trait Ear {
    /// An event.
    fn hear(&mut self, event: &EventEnvelope);
}

/// Hands samples and events to the recorder, and events to an ear.
pub struct Tape {
    recorder: RecorderHandle,
    ear: Box<dyn Ear>,
    /// Whether a full queue may be waited for: in a rehearsal, where the clock stands still meanwhile.
    may_wait: bool,
    lost: u64,
}

impl std::fmt::Debug for Tape {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Tape").field("lost", &self.lost).finish_non_exhaustive()
    }
}

impl Tape {
    /// A tape in front of a recorder.
    pub fn new(recorder: RecorderHandle, ear: Box<dyn Ear>, may_wait: bool) -> Self {
        Self { recorder, ear, may_wait, lost: 0 }
    }

    fn record(&mut self, entry: Entry) {
        let taken = if self.may_wait {
            self.recorder.record_blocking(entry)
        } else {
            self.recorder.try_record(entry)
        };
        self.lost += u64::from(!taken);
    }
}

impl Sink for Tape {
    fn sample(&mut self, sample: &Sample) {
        self.record(Entry::Sample(sample.clone()));
    }

    fn event(&mut self, event: &EventEnvelope) {
        self.ear.hear(event);
        self.record(Entry::Event(event.clone()));
    }

    fn lost(&mut self) -> u64 {
        std::mem::take(&mut self.lost)
    }
}
