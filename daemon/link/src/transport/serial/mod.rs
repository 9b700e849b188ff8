//! A serial port of this computer: an adapter on USB, a port on the board, or a pseudo-terminal with another
//! program behind it.
//!
//! Eight bits, no parity, one stop bit, no flow control, at any rate that the port can make. A port belongs to one
//! opener: the driver's exclusive flag keeps other users' programs out, and a lock on the device, which binds the
//! system's administrator too, keeps two of ours apart.
//!
//! What a serial port cannot tell is when each character ended; it tells when characters could be read. The last of
//! a reading is taken as complete at that moment, and those before it as one character's time apart.

mod access;
mod dates;
mod marks;
pub mod ports;
#[cfg(test)]
#[cfg(unix)]
mod tests;

use std::fmt;
use std::io;
use std::path::Path;
use std::pin::Pin;
use std::task::{Context, Poll};

use clock::Clock;
use model::{Moment, Place, Problem, ProblemKind, Span};
use tokio::io::{AsyncRead, ReadBuf};
use tokio_serial::{ClearBuffer, DataBits, FlowControl, Parity, SerialPort, SerialStream, StopBits};
use wire::kline::Received;

use self::access::Access;
use self::dates::Dates;
use self::marks::Marks;
use self::ports::Roots;
use super::{Abilities, Kind, Transport, TransportError};

/// The rate at which a port is opened, in bits per second: the one of ISO 14230-2. Whoever opens it sets the
/// description's before anything is sent.
const FIRST_BAUD: u32 = 10_400;

/// So many readings of nothing in a row are a port that is gone; one that is there says that it has nothing yet
/// (our choice, no published source).
const MOST_EMPTY: u32 = 3;

/// The kind `serial`.
pub struct Serial<L> {
    latency: L,
    roots: Roots,
}

impl<L> fmt::Debug for Serial<L> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("Serial").field("roots", &self.roots).finish_non_exhaustive()
    }
}

impl<L: Fn(&Path) -> Span> Serial<L> {
    /// The kind, with what tells how long the adapter behind a device may hold characters back. It is asked at
    /// every opening, with the device's own path: an adapter that was plugged in again has forgotten what it was
    /// set to.
    pub fn kind(latency: L) -> Self {
        Self { latency, roots: Roots::default() }
    }
}

impl<L: Fn(&Path) -> Span> Kind for Serial<L> {
    fn scheme(&self) -> &'static str {
        "serial"
    }

    fn address_form(&self) -> &'static str {
        "PATH"
    }

    fn in_process(&self) -> bool {
        false
    }

    fn takes_bare(&self, address: &str) -> bool {
        let number =
            address.get(..3).filter(|start| start.eq_ignore_ascii_case("COM")).map(|_| &address[3..]);
        let numbered = |rest: &str| !rest.is_empty() && rest.bytes().all(|byte| byte.is_ascii_digit());
        // A path, whole or from here; a scheme has a colon before any slash.
        let path = address.find('/').is_some_and(|slash| !address[..slash].contains(':'));
        path || number.is_some_and(numbered)
    }

    /// Opens a port. Must be called on the runtime whose thread will poll it.
    fn open(&self, address: &str, clock: &Clock) -> Result<Box<dyn Transport>, Problem> {
        if tokio::runtime::Handle::try_current().is_err() {
            let seen = "a serial port was opened outside the driver's runtime";
            return Err(Problem::new(ProblemKind::Program, Place::Program, seen, "report this fault"));
        }
        let path = Path::new(address);
        let access = Access::claim(path, &self.roots)?;
        // Before the port is exclusive: what lowers it may have to open the device as well.
        let latency = (self.latency)(access.device());
        access.unlock(path)?;
        let builder = tokio_serial::new(address, FIRST_BAUD)
            .data_bits(DataBits::Eight)
            .parity(Parity::None)
            .stop_bits(StopBits::One)
            .flow_control(FlowControl::None);
        let stream = SerialStream::open(&builder).map_err(|error| access::told(path, &error))?;
        access.mark_errors(path)?;
        let abilities = Abilities { passes_break: !access.is_pseudo_terminal(), latency };
        let mut port = Port {
            stream,
            access,
            abilities,
            marks: Marks::default(),
            dates: Dates::at(FIRST_BAUD),
            low: false,
            gone: None,
        };
        // What came before the port was set up may be garbled.
        port.purge(clock.now()).map_err(|error| access::unusable(path, &error.to_string()))?;
        Ok(Box::new(port))
    }
}

/// An open port. Dropping it gives the device back.
#[derive(Debug)]
struct Port {
    stream: SerialStream,
    access: Access,
    abilities: Abilities,
    marks: Marks,
    dates: Dates,
    /// The line is held low.
    low: bool,
    /// Why it is lost, once it is.
    gone: Option<String>,
}

impl Port {
    fn lose(&mut self, why: impl Into<String>) -> TransportError {
        let why = self.gone.get_or_insert_with(|| why.into());
        TransportError::Gone(why.clone())
    }

    fn check(&self) -> Result<(), TransportError> {
        self.gone.as_ref().map_or(Ok(()), |why| Err(TransportError::Gone(why.clone())))
    }

    /// An order that the port refused: it is gone, or it cannot do that.
    fn refused(&mut self, what: &'static str, why: &dyn fmt::Display) -> TransportError {
        match self.access.lost() {
            Some(lost) => self.lose(lost),
            None => TransportError::Unable { what, why: why.to_string() },
        }
    }
}

impl Drop for Port {
    fn drop(&mut self) {
        // Not every adapter ends a break when it is closed, and a line that stays low silences everybody on it.
        if self.low && self.gone.is_none() {
            let _ = self.stream.clear_break();
        }
    }
}

impl Transport for Port {
    fn abilities(&self) -> Abilities {
        self.abilities
    }

    fn write(&mut self, _: Moment, bytes: &[u8]) -> Result<(), TransportError> {
        self.check()?;
        let what = "send";
        match self.stream.try_write(bytes) {
            Ok(sent) if sent == bytes.len() => Ok(()),
            Ok(sent) => {
                let why = format!("it took {sent} of {} characters", bytes.len());
                Err(TransportError::Unable { what, why })
            }
            Err(error) if error.kind() == io::ErrorKind::WouldBlock => {
                let why = "it still holds what it was given before".into();
                Err(TransportError::Unable { what, why })
            }
            Err(error) => Err(self.refused(what, &error)),
        }
    }

    fn set_level(&mut self, _: Moment, low: bool) -> Result<bool, TransportError> {
        self.check()?;
        if !self.abilities.passes_break {
            return Ok(false);
        }
        let (what, done) = if low {
            ("hold the line low", self.stream.set_break())
        } else {
            ("let the line go", self.stream.clear_break())
        };
        done.map_err(|error| self.refused(what, &error))?;
        self.low = low;
        Ok(true)
    }

    fn set_baud(&mut self, _: Moment, baud: u32) -> Result<u32, TransportError> {
        self.check()?;
        let what = "set its rate";
        // To the system a rate of 0 means: hang up.
        if baud == 0 {
            return Err(TransportError::Unable { what, why: "0 is no rate".into() });
        }
        let set = self.stream.set_baud_rate(baud).and_then(|()| self.stream.baud_rate());
        let achieved = set.map_err(|error| self.refused(what, &error))?;
        self.dates.set_baud(achieved);
        Ok(achieved)
    }

    fn purge(&mut self, now: Moment) -> Result<(), TransportError> {
        self.check()?;
        self.stream.clear(ClearBuffer::All).map_err(|error| self.refused("forget what it holds", &error))?;
        self.marks = Marks::default();
        self.dates.begin(now);
        Ok(())
    }

    fn poll_read(
        &mut self,
        context: &mut Context<'_>,
        now: Moment,
        into: &mut Vec<Received>,
    ) -> Poll<Result<(), TransportError>> {
        if let Err(error) = self.check() {
            return Poll::Ready(Err(error));
        }
        let mut space = [0; 256];
        let mut decoded = Vec::new();
        let mut empty = 0;
        while empty < MOST_EMPTY {
            let mut buffer = ReadBuf::new(&mut space);
            match Pin::new(&mut self.stream).poll_read(context, &mut buffer) {
                Poll::Pending => return Poll::Pending,
                Poll::Ready(Err(error)) => {
                    let why = self.access.lost().unwrap_or_else(|| error.to_string());
                    return Poll::Ready(Err(self.lose(why)));
                }
                Poll::Ready(Ok(())) if buffer.filled().is_empty() => empty += 1,
                Poll::Ready(Ok(())) => {
                    self.marks.decode(buffer.filled(), &mut decoded);
                    // Half of a mark is no character yet: the other half decides.
                    if !decoded.is_empty() {
                        let dated = decoded.iter().zip(self.dates.ends(now, decoded.len()));
                        into.extend(dated.map(|(one, end)| Received {
                            byte: one.byte,
                            end,
                            broken: one.broken,
                        }));
                        return Poll::Ready(Ok(()));
                    }
                    empty = 0;
                }
            }
        }
        Poll::Ready(Err(self.lose("it gives endless nothing: it was unplugged, or its other end was closed")))
    }
}
