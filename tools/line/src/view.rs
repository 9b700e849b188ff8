//! The level of the wire as one end sees it: both drivers pull it low, the far one only through a whole cable.

use std::collections::VecDeque;

use crate::driver::{Driver, Low, OPEN};

/// The times at which the cable was cut.
#[derive(Debug, Default)]
pub(crate) struct Cuts(VecDeque<Low>);

impl Cuts {
    pub(crate) fn set(&mut self, now: i64, cut: bool) {
        if cut && !self.is_open() {
            self.0.push_back((now, OPEN));
        } else if !cut && self.is_open() {
            let last = self.0.back_mut().expect("an open cut is the last one");
            last.1 = now;
        }
    }

    pub(crate) fn is_open(&self) -> bool {
        self.0.back().is_some_and(|c| c.1 == OPEN)
    }

    pub(crate) fn is_empty(&self) -> bool {
        self.0.is_empty()
    }

    pub(crate) fn forget_before(&mut self, t: i64) {
        // A cut that ended exactly at `t` still makes the falling edge of what was low just then.
        while self.0.front().is_some_and(|c| c.1 < t) {
            self.0.pop_front();
        }
    }

    /// The first piece of `low` that passes the cable and ends after `t`.
    fn passes(&self, low: Low, t: i64) -> Option<Low> {
        let (mut start, end) = low;
        for &(cut, joined) in &self.0 {
            if joined <= start {
                continue;
            }
            if cut >= end {
                break;
            }
            if cut > start && cut > t {
                return Some((start, cut));
            }
            start = joined;
        }
        (start < end && end > t).then_some((start, end))
    }
}

/// One end's sight of the wire.
#[derive(Debug)]
pub(crate) struct View<'a> {
    pub(crate) own: &'a Driver,
    pub(crate) far: &'a Driver,
    pub(crate) cuts: &'a Cuts,
}

impl View<'_> {
    /// The first stretch of low level that ends after `t`, whoever causes it. Its start is exact unless it
    /// lies before `t`.
    pub(crate) fn low_after(&self, t: i64) -> Option<Low> {
        let mut found = (0..4).filter_map(|source| self.source_low_after(source, t)).min()?;
        // Lows of other sources that touch this one make it longer.
        loop {
            let before = found.1;
            for source in 0..4 {
                if let Some(low) = self.source_low_after(source, found.1).filter(|low| low.0 <= found.1) {
                    found.1 = low.1;
                }
            }
            if found.1 == before {
                return Some(found);
            }
        }
    }

    fn source_low_after(&self, source: u8, t: i64) -> Option<Low> {
        if t == OPEN {
            return None;
        }
        match source {
            0 => self.own.char_low_after(t),
            1 => self.own.break_after(t),
            2 => self.passed_after(t, |t| self.far.char_low_after(t)),
            _ => self.passed_after(t, |t| self.far.break_after(t)),
        }
    }

    fn passed_after(&self, mut t: i64, low_after: impl Fn(i64) -> Option<Low>) -> Option<Low> {
        loop {
            let low = low_after(t)?;
            if self.cuts.is_empty() {
                return Some(low);
            }
            if let Some(piece) = self.cuts.passes(low, t) {
                return Some(piece);
            }
            t = low.1;
        }
    }
}
