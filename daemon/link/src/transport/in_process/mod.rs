//! A line whose other end lives in this process: pulled along by the driver's clock, so that a rehearsal
//! needs no second task.

use std::task::{Context, Poll};

use model::Moment;
use wire::kline::Received;

use super::{Transport, TransportError};

/// The adapter's end of a line in this process. Times never go back.
pub trait LineEnd {
    /// Puts one character on the line.
    fn write(&mut self, now: Moment, byte: u8);
    /// Holds the line low or releases it.
    fn set_level(&mut self, now: Moment, low: bool);
    /// Sets the rate; gives the rate achieved.
    fn set_baud(&mut self, now: Moment, baud: u32) -> u32;
    /// Forgets what came and was not read.
    fn purge(&mut self, now: Moment);
    /// Takes the characters that are complete by now.
    fn read(&mut self, now: Moment, into: &mut Vec<Received>);
    /// The next moment at which reading may give something.
    fn next_event(&self) -> Option<Moment>;
}

/// The transport over such a line.
#[derive(Debug)]
pub struct InProcess<L>(L);

impl<L: LineEnd> InProcess<L> {
    /// A transport over a line.
    pub fn new(line: L) -> Self {
        Self(line)
    }
}

impl<L: LineEnd> Transport for InProcess<L> {
    fn write(&mut self, now: Moment, bytes: &[u8]) -> Result<(), TransportError> {
        bytes.iter().for_each(|byte| self.0.write(now, *byte));
        Ok(())
    }

    fn set_level(&mut self, now: Moment, low: bool) -> Result<bool, TransportError> {
        self.0.set_level(now, low);
        Ok(true)
    }

    fn set_baud(&mut self, now: Moment, baud: u32) -> Result<u32, TransportError> {
        Ok(self.0.set_baud(now, baud))
    }

    fn purge(&mut self, now: Moment) -> Result<(), TransportError> {
        self.0.purge(now);
        Ok(())
    }

    fn poll_read(
        &mut self,
        _: &mut Context<'_>,
        now: Moment,
        into: &mut Vec<Received>,
    ) -> Poll<Result<(), TransportError>> {
        self.0.read(now, into);
        if into.is_empty() { Poll::Pending } else { Poll::Ready(Ok(())) }
    }

    fn next_arrival(&self) -> Option<Moment> {
        self.0.next_event()
    }
}
