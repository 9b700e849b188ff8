//! Whom the driver talks to besides the wire, while its use is measured.

use std::cell::RefCell;
use std::rc::Rc;
use std::task::{Context, Poll};

use link::{Intent, Ledger, Live, Sink, Viewer};
use model::{Event, EventEnvelope, Gap, Moment, OutputId, Problem, Sample};

use crate::script::MARK;

/// Keeps the moment from which is measured.
#[derive(Default)]
pub(crate) struct Marks(pub(crate) Rc<RefCell<Option<Moment>>>);

impl Sink for Marks {
    fn sample(&mut self, _: &Sample) {}

    fn gap(&mut self, _: &Gap) {}

    fn event(&mut self, event: &EventEnvelope) {
        if matches!(&event.event, Event::Paused { words, .. } if words == MARK) {
            *self.0.borrow_mut() = Some(event.at);
        }
    }
}

/// Nothing outlives a rehearsal in memory: there is no restart that would have to release anything.
pub(crate) struct NoLedger;

impl Ledger for NoLedger {
    fn intend(&mut self, _: Moment, _: &Intent) {}

    fn cleared(&mut self, _: &OutputId) {}

    fn poll_done(&mut self, _: &mut Context<'_>) -> Poll<Result<(), Problem>> {
        Poll::Ready(Ok(()))
    }
}

pub(crate) struct Nobody;

impl Viewer for Nobody {
    fn show(&mut self, _: &Live<'_>) {}
}
