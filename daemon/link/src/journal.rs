//! Numbers events and hands them on: sequence numbers without gaps, one station, one session.

use model::{Event, EventEnvelope, Exchange, Gap, Moment, SCHEMA_VERSION, Sample, SessionId, StationId};

use crate::sides::{Nobody, Sink};

/// The driver's pen.
pub(crate) struct Journal {
    station: StationId,
    session: SessionId,
    seq: u64,
    sink: Box<dyn Sink>,
}

impl Journal {
    pub(crate) fn new(station: StationId, session: SessionId, sink: Box<dyn Sink>) -> Self {
        Self { station, session, seq: 0, sink }
    }

    pub(crate) fn sample(&mut self, sample: &Sample) {
        self.sink.sample(sample);
        self.tell_stopped(sample.at);
    }

    pub(crate) fn gap(&mut self, gap: &Gap) {
        self.sink.gap(gap);
    }

    pub(crate) fn exchange(&mut self, exchange: &Exchange) {
        self.sink.exchange(exchange);
    }

    pub(crate) fn wants_exchanges(&self) -> bool {
        self.sink.wants_exchanges()
    }

    pub(crate) fn event(&mut self, at: Moment, event: Event) {
        self.tell_stopped(at);
        let lost = self.sink.lost();
        if lost > 0 {
            tracing::error!(lost, "records were lost between driver and recorder");
            self.write(at, Event::RecordsLost { count: lost });
        }
        self.write(at, event);
    }

    /// A recording that stopped is told at once: whoever turns the screw may still have the choice.
    fn tell_stopped(&mut self, at: Moment) {
        if let Some(problem) = self.sink.stopped() {
            self.write(at, Event::Problem { problem });
        }
    }

    /// Records no more: the sink has panicked.
    pub(crate) fn mute(&mut self) {
        tracing::error!("the recorder panicked; nothing more is recorded");
        self.sink = Box::new(Nobody);
    }

    /// The sequence number of the newest event.
    pub(crate) fn last_seq(&self) -> u64 {
        self.seq
    }

    fn write(&mut self, at: Moment, event: Event) {
        self.seq += 1;
        tracing::debug!(at = at.as_secs_f64(), seq = self.seq, event = ?event);
        self.sink.event(&EventEnvelope {
            schema: SCHEMA_VERSION,
            seq: self.seq,
            station: self.station.clone(),
            session: self.session.clone(),
            at,
            event,
        });
    }
}
