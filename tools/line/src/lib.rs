//! The virtual K-line: one shared half-duplex wire with a tester's end and a controller's end.
//!
//! Nothing here reads time or waits: every call is told the moment, in nanoseconds on the caller's own
//! clock, and moments never go back (an earlier one counts as the latest seen). The wire is a wired AND, as
//! an open-collector line is: it is low while anybody pulls it low. Each end samples it the way a UART does,
//! from the falling edge of the start bit and in the middle of each bit at its own rate. Collisions, breaks,
//! wrong rates, a slow zero used as a wake-up pulse and a cable cut in the middle of a character all follow
//! from that one rule.
//!
//! Contract: whenever something was written or changed, ask [`Line::next_event`] again; it names the next
//! moment at which [`Line::read`] or [`Line::read_pulses`] of that end may bring something new. What an end
//! hears does not depend on how often it is read.
//!
//! The cable is cut between the adapter and the car: while cut, nothing passes either way, and the adapter
//! still hears its own echo.

mod baud;
mod driver;
mod noise;
mod receiver;
mod view;

pub use noise::{Burst, Noise};

use driver::Driver;
use receiver::Receiver;
use view::{Cuts, View};

/// The lowest and highest rates an end can be set to, in bits a second.
pub const BAUD_RANGE: (u32, u32) = (1, 4_000_000);

/// Which end of the wire.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum End {
    /// The tester's, through its adapter.
    Tester,
    /// The engine controller's.
    Controller,
}

impl End {
    /// The opposite end.
    pub fn other(self) -> Self {
        match self {
            Self::Tester => Self::Controller,
            Self::Controller => Self::Tester,
        }
    }
}

/// One character as an end heard it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Arrival {
    /// The eight data bits.
    pub byte: u8,
    /// The falling edge of the start bit, in nanoseconds.
    pub start: i64,
    /// The end of the stop bit at the receiver's rate, in nanoseconds.
    pub end: i64,
    /// The stop bit was low. A break arrives as a zero with this set.
    pub framing_error: bool,
}

/// A low level longer than one character at the hearing end's rate: a break or a slow character.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct LowPulse {
    /// The falling edge, in nanoseconds.
    pub start: i64,
    /// The rising edge, in nanoseconds.
    pub end: i64,
}

impl LowPulse {
    /// How long the wire was low, in nanoseconds.
    pub fn length(&self) -> i64 {
        self.end - self.start
    }
}

/// What a line is made with.
#[derive(Debug, Clone, PartialEq)]
pub struct LineConfig {
    /// Seeds the noise.
    pub seed: u64,
    /// Whether the tester's adapter hears what it sends itself. Without echo the adapter is deaf to
    /// everything that begins while it sends.
    pub echo: bool,
    /// Faults of the characters each end hears.
    pub noise: Noise,
    /// Rate of the tester's end at the start, in bits a second.
    pub tester_baud: u32,
    /// Rate of the controller's end at the start, in bits a second.
    pub controller_baud: u32,
    /// The fastest rate of the adapter's divider: achievable rates are this divided by whole numbers.
    /// `None` achieves every rate exactly.
    pub adapter_clock: Option<u32>,
}

impl Default for LineConfig {
    /// Echo on, no noise, both ends at the 10400 bit/s of ISO 14230-4.
    fn default() -> Self {
        Self {
            seed: 0,
            echo: true,
            noise: Noise::default(),
            tester_baud: 10_400,
            controller_baud: 10_400,
            adapter_clock: None,
        }
    }
}

#[derive(Debug)]
struct Side {
    driver: Driver,
    receiver: Receiver,
}

/// The wire with its two ends.
#[derive(Debug)]
pub struct Line {
    tester: Side,
    controller: Side,
    cuts: Cuts,
    adapter_clock: Option<u32>,
    now: i64,
}

impl Line {
    /// A wire at rest: high, nothing on its way.
    pub fn new(config: &LineConfig) -> Self {
        let side = |baud, hears_itself, stream| Side {
            driver: Driver::new(baud),
            receiver: Receiver::new(baud, hears_itself, config.noise.clone(), config.seed, stream),
        };
        let tester_baud = baud::achieved(config.tester_baud, config.adapter_clock);
        Self {
            tester: side(tester_baud, config.echo, 1),
            controller: side(baud::achieved(config.controller_baud, None), false, 2),
            cuts: Cuts::default(),
            adapter_clock: config.adapter_clock,
            now: i64::MIN,
        }
    }

    /// Sends one character. It begins at `at` (which may lie ahead) or when the sender's previous character
    /// has ended, whichever is later; returned are its start and its end.
    pub fn write(&mut self, from: End, at: i64, byte: u8) -> (i64, i64) {
        let at = at.max(self.now);
        self.side(from).driver.write(at, byte)
    }

    /// Pulls the wire low, or lets it go, at exactly `now`.
    pub fn set_level(&mut self, from: End, now: i64, low: bool) {
        let now = self.advance(now);
        self.side(from).driver.set_level(now, low);
    }

    /// Sets the rate of one end for what it hears from now on and for characters written from now on;
    /// returns the rate achieved. Zero changes nothing.
    pub fn set_baud(&mut self, end: End, now: i64, baud: u32) -> u32 {
        self.advance(now);
        let clock = match end {
            End::Tester => self.adapter_clock,
            End::Controller => None,
        };
        let side = self.side(end);
        if baud != 0 {
            let achieved = baud::achieved(baud, clock);
            side.driver.baud = achieved;
            side.receiver.baud = achieved;
        }
        side.driver.baud
    }

    /// The rate of an end, in bits a second.
    pub fn baud(&self, end: End) -> u32 {
        self.side_ref(end).driver.baud
    }

    /// The time one character takes at an end's rate, in nanoseconds: start, eight data and stop bits.
    pub fn character_time(&self, end: End) -> i64 {
        baud::bits_after(0, 10, self.baud(end))
    }

    /// Cuts or joins the cable between the adapter and the car.
    pub fn set_cut(&mut self, now: i64, cut: bool) {
        let now = self.advance(now);
        self.cuts.set(now, cut);
    }

    /// Whether the cable is cut.
    pub fn is_cut(&self) -> bool {
        self.cuts.is_open()
    }

    /// Replaces the noise both ends hear from now on.
    pub fn set_noise(&mut self, now: i64, noise: &Noise) {
        self.advance(now);
        self.tester.receiver.noise = noise.clone();
        self.controller.receiver.noise = noise.clone();
    }

    /// Forgets characters of `end` that have not begun yet. A character on its way is finished.
    pub fn abort(&mut self, end: End, now: i64) {
        let now = self.advance(now);
        self.side(end).driver.abort(now);
    }

    /// Like [`Line::abort`], and forgets what the end has heard but not read.
    pub fn purge(&mut self, end: End, now: i64) {
        self.abort(end, now);
        self.side(end).receiver.forget();
    }

    /// Appends the characters that have wholly arrived by `now`, oldest first, and forgets them here.
    pub fn read(&mut self, at: End, now: i64, into: &mut Vec<Arrival>) {
        self.advance(now);
        into.extend(self.side(at).receiver.arrivals.drain(..));
    }

    /// Takes the oldest character that has wholly arrived by `now`.
    pub fn take(&mut self, at: End, now: i64) -> Option<Arrival> {
        self.hear(at, now);
        self.now = self.now.max(now);
        self.side(at).receiver.arrivals.pop_front()
    }

    /// Appends the low pulses whose rising edge has passed by `now`, oldest first, and forgets them here.
    pub fn read_pulses(&mut self, at: End, now: i64, into: &mut Vec<LowPulse>) {
        self.advance(now);
        into.extend(self.side(at).receiver.pulses.drain(..));
    }

    /// Takes the oldest low pulse whose rising edge has passed by `now`.
    pub fn take_pulse(&mut self, at: End, now: i64) -> Option<LowPulse> {
        self.hear(at, now);
        self.now = self.now.max(now);
        self.side(at).receiver.pulses.pop_front()
    }

    /// The next moment, later than the last one advanced to, at which this end may hear something new;
    /// `None` while nothing is on its way. Later writes may bring an earlier moment.
    pub fn next_event(&self, at: End) -> Option<i64> {
        let (own, far) = (self.side_ref(at), self.side_ref(at.other()));
        let view = View { own: &own.driver, far: &far.driver, cuts: &self.cuts };
        own.receiver.next_event(&view)
    }

    /// Lets both ends hear everything up to `now` and forgets what both have heard. Returns the moment
    /// reached, which is later than `now` if time had already gone further.
    pub fn advance(&mut self, now: i64) -> i64 {
        self.hear(End::Tester, now);
        self.hear(End::Controller, now);
        self.now = self.now.max(now);
        let heard = self.tester.receiver.heard_until().min(self.controller.receiver.heard_until());
        self.tester.driver.forget_before(heard);
        self.controller.driver.forget_before(heard);
        self.cuts.forget_before(heard);
        self.now
    }

    fn hear(&mut self, at: End, now: i64) {
        let (own, far) = match at {
            End::Tester => (&mut self.tester, &self.controller),
            End::Controller => (&mut self.controller, &self.tester),
        };
        let view = View { own: &own.driver, far: &far.driver, cuts: &self.cuts };
        own.receiver.hear(&view, now);
    }

    fn side(&mut self, end: End) -> &mut Side {
        match end {
            End::Tester => &mut self.tester,
            End::Controller => &mut self.controller,
        }
    }

    fn side_ref(&self, end: End) -> &Side {
        match end {
            End::Tester => &self.tester,
            End::Controller => &self.controller,
        }
    }
}

#[cfg(test)]
mod tests;
