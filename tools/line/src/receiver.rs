//! The listening half of a UART: finds start bits, samples in the middle of each bit, and notices breaks.

use std::collections::VecDeque;

use rand_pcg::Pcg32;

use crate::baud::{bits_after, half_bits_after};
use crate::driver::OPEN;
use crate::noise::{Fate, Noise};
use crate::view::View;
use crate::{Arrival, LowPulse};

/// Below this difference of rates every sample surely falls inside its bit (the last, 9.5 bits after the
/// edge, leaves room for half a bit: 1/19), so a character alone on the wire need not be sampled.
const SURE_RATE_DIFFERENCE: f64 = 0.04;

#[derive(Debug, Clone, Copy)]
enum State {
    /// Waiting for a falling edge at or after this moment.
    Hunting(i64),
    /// The wire has been low since this moment for more than a character.
    InBreak(i64),
}

#[derive(Debug)]
pub(crate) struct Receiver {
    pub(crate) baud: u32,
    pub(crate) noise: Noise,
    pub(crate) arrivals: VecDeque<Arrival>,
    pub(crate) pulses: VecDeque<LowPulse>,
    hears_itself: bool,
    state: State,
    rng: Pcg32,
    /// Tests compare the short way with the sampled one.
    #[cfg(test)]
    pub(crate) always_sample: bool,
}

/// What the next falling edge brings.
enum Next {
    /// A character alone on the wire at a fitting rate.
    Plain(Arrival),
    /// Something to be sampled, from its falling edge on.
    Edge(i64),
}

impl Next {
    fn edge(&self) -> i64 {
        match self {
            Self::Plain(arrival) => arrival.start,
            Self::Edge(edge) => *edge,
        }
    }
}

impl Receiver {
    pub(crate) fn new(baud: u32, hears_itself: bool, noise: Noise, seed: u64, stream: u64) -> Self {
        Self {
            baud,
            noise,
            arrivals: VecDeque::new(),
            pulses: VecDeque::new(),
            hears_itself,
            state: State::Hunting(i64::MIN),
            // Each end draws from its own stream, so that what one hears does not depend on the other.
            rng: Pcg32::new(seed, stream),
            #[cfg(test)]
            always_sample: false,
        }
    }

    /// Hears everything that is complete by `until`.
    pub(crate) fn hear(&mut self, view: &View<'_>, until: i64) {
        loop {
            match self.state {
                State::Hunting(from) => {
                    let next = self.find(view, from);
                    let edge = next.as_ref().map_or(until, Next::edge);
                    if bits_after(edge, 10, self.baud) > until {
                        // No edge came before `until`, so hunting goes on from there and older
                        // characters, such as those lost in a cut cable, can be forgotten.
                        self.state = State::Hunting(from.max(edge.min(until)));
                        return;
                    }
                    match next {
                        Some(Next::Plain(arrival)) => {
                            self.state = State::Hunting(half_bits_after(arrival.start, 19, self.baud));
                            self.emit(view, arrival);
                        }
                        Some(Next::Edge(edge)) => self.sample(view, edge),
                        None => return,
                    }
                }
                State::InBreak(start) => {
                    let end = view.low_after(start).map_or(start, |low| low.1);
                    if end > until {
                        return;
                    }
                    self.state = State::Hunting(end);
                    if self.hears_itself || !view.own.active_at(start) {
                        self.pulses.push_back(LowPulse { start, end });
                    }
                }
            }
        }
    }

    pub(crate) fn next_event(&self, view: &View<'_>) -> Option<i64> {
        match self.state {
            State::Hunting(from) => self.find(view, from).map(|next| bits_after(next.edge(), 10, self.baud)),
            State::InBreak(start) => view.low_after(start).map(|low| low.1).filter(|end| *end != OPEN),
        }
    }

    /// Everything that ended by this moment has been heard.
    pub(crate) fn heard_until(&self) -> i64 {
        match self.state {
            State::Hunting(from) => from,
            State::InBreak(start) => start,
        }
    }

    pub(crate) fn forget(&mut self) {
        self.arrivals.clear();
        self.pulses.clear();
    }

    fn find(&self, view: &View<'_>, from: i64) -> Option<Next> {
        if view.cuts.is_empty() && view.own.breaks.is_empty() && view.far.breaks.is_empty() {
            let (own, far) = (view.own.char_after(from), view.far.char_after(from));
            let (first, second) = match (own, far) {
                (Some(a), Some(b)) if b.start < a.start => (b, Some(a)),
                (Some(a), b) => (a, b),
                (None, Some(b)) => (b, None),
                (None, None) => return None,
            };
            let end = bits_after(first.start, 10, self.baud);
            let alone = first.start >= from && second.is_none_or(|s| s.start >= end.max(first.end));
            let difference = (f64::from(first.baud) / f64::from(self.baud) - 1.0).abs();
            let sure = alone && difference < SURE_RATE_DIFFERENCE;
            #[cfg(test)]
            let sure = sure && !self.always_sample;
            if sure {
                let arrival = Arrival { byte: first.byte, start: first.start, end, framing_error: false };
                return Some(Next::Plain(arrival));
            }
        }
        let mut low = view.low_after(from)?;
        if low.0 < from {
            // The wire was already low when hunting began; a start bit needs a falling edge.
            low = view.low_after(low.1)?;
        }
        Some(Next::Edge(low.0))
    }

    /// Samples one character whose start bit fell at `edge`.
    fn sample(&mut self, view: &View<'_>, edge: i64) {
        let Some(first) = view.low_after(edge) else { return };
        let mut low = Some(first);
        let mut is_low = |t: i64| {
            while let Some((_, end)) = low.filter(|l| l.1 <= t) {
                low = view.low_after(end);
            }
            low.is_some_and(|l| l.0 <= t)
        };
        let baud = self.baud;
        let at = |bit: u32| half_bits_after(edge, 2 * bit + 1, baud);
        if !is_low(at(0)) {
            // Too short for a start bit: a glitch.
            self.state = State::Hunting(first.1);
            return;
        }
        let byte = (0..8).fold(0u8, |byte, k| if is_low(at(k + 1)) { byte } else { byte | (1 << k) });
        let framing_error = is_low(at(9));
        let unbroken = first.1 > at(9);
        self.state = if unbroken { State::InBreak(edge) } else { State::Hunting(at(9)) };
        let end = bits_after(edge, 10, self.baud);
        self.emit(view, Arrival { byte, start: edge, end, framing_error });
    }

    fn emit(&mut self, view: &View<'_>, arrival: Arrival) {
        if !self.hears_itself && view.own.active_at(arrival.start) {
            return;
        }
        match self.noise.strike(arrival, &mut self.rng) {
            Fate::Lost => {}
            Fate::Once(heard) => self.arrivals.push_back(heard),
            Fate::Twice(heard) => {
                self.arrivals.push_back(heard);
                self.arrivals.push_back(heard);
            }
        }
    }
}
