//! What one end does to the wire: its characters and the times it holds the wire low.

use std::collections::VecDeque;

use crate::baud::bits_after;

/// A stretch of low level, `start` up to but not including `end`.
pub(crate) type Low = (i64, i64);

/// The end of a low level that has not ended yet.
pub(crate) const OPEN: i64 = i64::MAX;

/// A character on the wire or waiting for its turn.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Sent {
    pub(crate) start: i64,
    pub(crate) end: i64,
    /// Start of the stop bit: from here on the character leaves the wire high.
    pub(crate) stop: i64,
    pub(crate) baud: u32,
    pub(crate) byte: u8,
}

impl Sent {
    /// The first stretch of low level that ends after `t`.
    fn low_after(&self, t: i64) -> Option<Low> {
        // Bit 0 is the start bit (low), then eight data bits, least significant first, then the stop bit.
        let bits = (u16::from(self.byte) << 1) | 0x200;
        let mut k = 0;
        while k < 9 {
            if bits & (1 << k) != 0 {
                k += 1;
                continue;
            }
            let from = k;
            while bits & (1 << k) == 0 {
                k += 1;
            }
            let end = bits_after(self.start, k, self.baud);
            if end > t {
                return Some((bits_after(self.start, from, self.baud), end));
            }
        }
        None
    }
}

#[derive(Debug)]
pub(crate) struct Driver {
    pub(crate) baud: u32,
    pub(crate) chars: VecDeque<Sent>,
    pub(crate) breaks: VecDeque<Low>,
    free_at: i64,
}

impl Driver {
    pub(crate) fn new(baud: u32) -> Self {
        Self { baud, chars: VecDeque::new(), breaks: VecDeque::new(), free_at: i64::MIN }
    }

    pub(crate) fn write(&mut self, at: i64, byte: u8) -> (i64, i64) {
        let start = at.max(self.free_at);
        let end = bits_after(start, 10, self.baud);
        let stop = bits_after(start, 9, self.baud);
        self.chars.push_back(Sent { start, end, stop, baud: self.baud, byte });
        self.free_at = end;
        (start, end)
    }

    pub(crate) fn set_level(&mut self, now: i64, low: bool) {
        let open = self.breaks.back().is_some_and(|b| b.1 == OPEN);
        if low && !open {
            self.breaks.push_back((now, OPEN));
        } else if !low && open {
            let last = self.breaks.pop_back().expect("an open break is the last one");
            if now > last.0 {
                self.breaks.push_back((last.0, now));
            }
        }
    }

    pub(crate) fn abort(&mut self, now: i64) {
        while self.chars.back().is_some_and(|c| c.start >= now) {
            self.chars.pop_back();
        }
        let last_end = self.chars.back().map_or(now, |c| c.end);
        self.free_at = self.free_at.min(last_end);
    }

    /// Whether this end itself is sending or holding the wire low at `t`.
    pub(crate) fn active_at(&self, t: i64) -> bool {
        self.chars.iter().any(|c| c.start <= t && t < c.end)
            || self.breaks.iter().any(|b| b.0 <= t && t < b.1)
    }

    /// The first stretch of low level of a character that ends after `t`.
    pub(crate) fn char_low_after(&self, t: i64) -> Option<Low> {
        self.chars.iter().filter(|c| c.stop > t).find_map(|c| c.low_after(t))
    }

    /// The first character whose stop bit begins after `t`.
    pub(crate) fn char_after(&self, t: i64) -> Option<&Sent> {
        self.chars.iter().find(|c| c.stop > t)
    }

    /// The first held low level that ends after `t`.
    pub(crate) fn break_after(&self, t: i64) -> Option<Low> {
        self.breaks.iter().find(|b| b.1 > t).copied()
    }

    pub(crate) fn forget_before(&mut self, t: i64) {
        while self.chars.front().is_some_and(|c| c.end <= t) {
            self.chars.pop_front();
        }
        while self.breaks.front().is_some_and(|b| b.1 <= t) {
            self.breaks.pop_front();
        }
    }
}
