//! The timing of ISO 14230-2 (clause 4.3; values from Regulation (EU) 2016/799, Annex IC, Appendix 8,
//! Table 4, and, for the default P2max, from memory).

use model::Span;

/// Why a set of times cannot be used.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
pub enum TimingError {
    /// A minimum above its maximum.
    #[error("{name}min is above {name}max")]
    Reversed {
        /// P2 or P3.
        name: &'static str,
    },
    /// ISO 14230-2: P3min must be longer than P4min.
    #[error("P3min must be longer than P4min")]
    RequestGap,
    /// A time below zero.
    #[error("a time is negative")]
    Negative,
}

/// Times of one exchange.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Timing {
    /// Longest gap between two characters of an answer.
    pub p1_max: Span,
    /// Shortest time from request to answer.
    pub p2_min: Span,
    /// Longest time from request to answer.
    pub p2_max: Span,
    /// Shortest time from answer to next request.
    pub p3_min: Span,
    /// Longest time from answer to next request: after it the controller drops the session.
    pub p3_max: Span,
    /// Shortest gap between two characters of a request.
    pub p4_min: Span,
}

impl Timing {
    /// The default set.
    pub const DEFAULT: Self = Self {
        p1_max: Span::from_millis(20),
        p2_min: Span::from_millis(25),
        p2_max: Span::from_millis(50),
        p3_min: Span::from_millis(55),
        p3_max: Span::from_millis(5_000),
        p4_min: Span::from_millis(5),
    };

    /// Longest time from request to answer after the controller said that its answer is pending
    /// (Appendix 7, 2.2.4 of the regulation: P2max then becomes P3max).
    pub fn p2_pending(&self) -> Span {
        self.p3_max
    }

    /// Checks the set against the standard's rules.
    pub fn check(&self) -> Result<(), TimingError> {
        let all = [self.p1_max, self.p2_min, self.p2_max, self.p3_min, self.p3_max, self.p4_min];
        if all.iter().any(|p| *p < Span::ZERO) {
            return Err(TimingError::Negative);
        }
        if self.p2_min > self.p2_max {
            return Err(TimingError::Reversed { name: "P2" });
        }
        if self.p3_min > self.p3_max {
            return Err(TimingError::Reversed { name: "P3" });
        }
        if self.p3_min <= self.p4_min && self.p3_min > Span::ZERO {
            return Err(TimingError::RequestGap);
        }
        Ok(())
    }

    /// How long an exchange takes at the least: `Nq Tb + (Nq-1) P4 + P2 + Nr Tb + P3`, with no gaps in the
    /// answer, all times at their minimum.
    pub fn shortest_exchange(&self, request: usize, answer: usize, tb: Span) -> Span {
        let (request, answer) = (request as i64, answer as i64);
        tb * (request + answer) + self.p4_min * (request - 1).max(0) + self.p2_min + self.p3_min
    }

    /// How long an exchange can take at the most without a pending answer, from its first character to its
    /// last: every time at its maximum.
    pub fn longest_exchange(&self, request: usize, answer: usize, tb: Span) -> Span {
        let (request, answer) = (request as i64, answer as i64);
        tb * (request + answer)
            + self.p4_min * (request - 1).max(0)
            + self.p2_max
            + self.p1_max * (answer - 1).max(0)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_shortest_exchange_is_the_published_ceiling() {
        // Worked by hand at 10 400 Bd: 6 and 7 characters, P2 25, P3 55, P4 5 ms: 117.5 ms, 8.51 a second.
        let tb = Span::from_nanos(10 * 1_000_000_000 / 10_400);
        let exchange = Timing::DEFAULT.shortest_exchange(6, 7, tb);
        assert!((exchange.as_millis_f64() - 117.5).abs() < 0.01, "{exchange}");
    }

    #[test]
    fn the_rules_of_the_standard_are_checked() {
        assert_eq!(Timing::DEFAULT.check(), Ok(()));
        let bad = Timing { p3_min: Span::from_millis(4), ..Timing::DEFAULT };
        assert_eq!(bad.check(), Err(TimingError::RequestGap));
        let bad = Timing { p2_min: Span::from_millis(60), ..Timing::DEFAULT };
        assert_eq!(bad.check(), Err(TimingError::Reversed { name: "P2" }));
    }
}
