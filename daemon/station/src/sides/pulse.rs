//! The recorder's pulse in real time: with every look at what is going on it may see that a sync is due, also while
//! nothing is read.

use link::{Live, Viewer};
use record::{Entry, RecorderHandle};

/// A viewer that keeps a recorder's time.
pub struct Pulse {
    inner: Box<dyn Viewer>,
    beside: Option<Box<dyn Viewer + Send>>,
    recorder: RecorderHandle,
}

impl std::fmt::Debug for Pulse {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str("Pulse")
    }
}

impl Pulse {
    /// A viewer, and perhaps another beside it, behind which a recorder is told the time.
    pub fn new(
        inner: Box<dyn Viewer>,
        beside: Option<Box<dyn Viewer + Send>>,
        recorder: RecorderHandle,
    ) -> Self {
        Self { inner, beside, recorder }
    }
}

impl Viewer for Pulse {
    fn show(&mut self, live: &Live<'_>) {
        // A tick that finds no room is followed by another; nothing is lost with it.
        let _ = self.recorder.try_record(Entry::Tick(live.now));
        self.inner.show(live);
        if let Some(beside) = &mut self.beside {
            beside.show(live);
        }
    }
}
