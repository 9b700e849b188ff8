//! For how long a gate has been passing without a break.

use model::{Moment, Span};

/// Counts the dwell by the time of readings: time is credited only between two readings that both passed
/// with nothing but passes between them, and none after the newest.
#[derive(Debug, Clone)]
pub(crate) struct Dwell {
    asked: Span,
    dropout: Span,
    done: Span,
    // Up to which reading the passing has been credited; nothing while it does not pass.
    credited: Option<Moment>,
    // Kept whether or not a dwell was running, so that what hangs on it is the same for every demand.
    unknown_since: Option<Moment>,
}

impl Dwell {
    pub(crate) fn new(asked: Span, dropout: Span) -> Self {
        Self { asked, dropout, done: Span::ZERO, credited: None, unknown_since: None }
    }

    /// It passes on readings of every channel up to `every`, the newest of which is from `any`. Counting
    /// starts at the latter, because before it the passing was not known, and goes on by the former.
    pub(crate) fn pass(&mut self, every: Moment, any: Moment) {
        if self.unknown_since.take().is_some() {
            // The time without knowledge is not credited; counting goes on from here.
            self.credited = None;
        }
        match self.credited {
            Some(before) if every > before => {
                self.done += every.since(before);
                self.credited = Some(every);
            }
            Some(_) => {}
            None => self.credited = Some(any),
        }
    }

    /// It does not pass, and the readings know it.
    pub(crate) fn refuse(&mut self) {
        (self.done, self.credited, self.unknown_since) = (Span::ZERO, None, None);
    }

    /// It cannot be told. Gives whether this has now lasted as long as a dropout may, so that everything
    /// begins anew.
    pub(crate) fn unknown(&mut self, at: Moment) -> bool {
        let since = *self.unknown_since.get_or_insert(at);
        let over = at.since(since) >= self.dropout;
        if over {
            (self.done, self.credited) = (Span::ZERO, None);
        }
        over
    }

    /// When a running dropout will have lasted too long.
    pub(crate) fn dropout_over(&self) -> Option<Moment> {
        Some(self.unknown_since? + self.dropout)
    }

    pub(crate) fn met(&self) -> bool {
        self.credited.is_some() && self.unknown_since.is_none() && self.done >= self.asked
    }

    pub(crate) fn done(&self) -> Span {
        self.done.min(self.asked)
    }

    pub(crate) fn asked(&self) -> Span {
        self.asked
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(ms: i64) -> Moment {
        Moment::ZERO + Span::from_millis(ms)
    }

    #[test]
    fn a_short_dropout_pauses_and_is_not_counted() {
        let mut dwell = Dwell::new(Span::from_millis(300), Span::from_millis(200));
        [0, 100, 200].into_iter().for_each(|t| dwell.pass(at(t), at(t)));
        assert!(!dwell.unknown(at(250)));
        dwell.pass(at(400), at(400));
        assert_eq!(dwell.done(), Span::from_millis(200));
        dwell.pass(at(500), at(500));
        assert!(dwell.met());
    }

    #[test]
    fn a_slow_channel_brings_no_time_from_before_the_fast_one_passed() {
        let mut dwell = Dwell::new(Span::from_secs(1), Span::ZERO);
        dwell.pass(at(500), at(900));
        dwell.pass(at(1000), at(1000));
        assert_eq!(dwell.done(), Span::from_millis(100));
    }

    #[test]
    fn a_long_dropout_and_a_definite_no_begin_anew() {
        let mut dwell = Dwell::new(Span::from_millis(300), Span::from_millis(200));
        [0, 250].into_iter().for_each(|t| dwell.pass(at(t), at(t)));
        assert!(!dwell.unknown(at(300)));
        assert_eq!(dwell.dropout_over(), Some(at(500)));
        assert!(dwell.unknown(at(500)));
        [600, 650].into_iter().for_each(|t| dwell.pass(at(t), at(t)));
        assert_eq!(dwell.done(), Span::from_millis(50));
        dwell.refuse();
        dwell.pass(at(700), at(700));
        assert_eq!(dwell.done(), Span::ZERO);
    }
}
