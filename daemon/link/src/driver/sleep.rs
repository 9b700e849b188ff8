//! A computer that slept.

use model::event::ReleaseCause;
use model::{Event, Moment, Span};

use super::Driver;

/// The system's two clocks are read one after the other; a shorter difference is no sleep. No laptop sleeps and wakes
/// in less (our choice, no published source).
const SHORTEST: Span = Span::from_millis(100);

impl Driver {
    /// While the computer slept nothing was read, refreshed or released: whatever was in flight is stale, and
    /// what is held is given back as the next thing said.
    pub(super) fn notice_sleep(&mut self, now: Moment) {
        let slept = self.clock.slept();
        let time = slept - self.slept;
        if time < SHORTEST {
            return;
        }
        self.slept = slept;
        self.journal.event(now, Event::ComputerSlept { time });
        self.slept_through(now, time);
        if let Err(error) = self.purge_port(now) {
            self.transport_lost(now, &error);
        }
        let why = format!("the computer slept for {time}");
        self.conductor.transport_lost(now, &why, ReleaseCause::ComputerSlept);
    }
}
