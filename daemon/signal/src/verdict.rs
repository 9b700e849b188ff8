//! How an interval lies against a target, on a scale finer than the four words of a judgement.

use model::Word;

/// The finer scale of the judge, worst first.
///
/// It tells apart an estimate outside and an interval outside, because only the latter proves the opposite.
/// Its order makes the worst of several the answer to "all of these", the best the answer to "any of
/// these", and its mirror image the answer to "not this": a definite no beats unknown for "all", a definite
/// yes beats it for "any", and unknown stays unknown.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Verdict {
    /// The whole 95 % interval lies outside.
    ProvenOutside,
    /// The estimate lies outside; the interval straddles an edge.
    Outside,
    /// It cannot be told.
    Unknown,
    /// The estimate lies inside; the interval straddles an edge.
    Inside,
    /// The whole 95 % interval lies inside.
    ProvenInside,
}

impl Verdict {
    /// The verdict on the opposite.
    pub fn opposite(self) -> Self {
        match self {
            Self::ProvenOutside => Self::ProvenInside,
            Self::Outside => Self::Inside,
            Self::Unknown => Self::Unknown,
            Self::Inside => Self::Outside,
            Self::ProvenInside => Self::ProvenOutside,
        }
    }

    /// The word that people and records get.
    pub fn word(self) -> Word {
        match self {
            Self::ProvenOutside | Self::Outside => Word::Outside,
            Self::Unknown => Word::Unknown,
            Self::Inside => Word::Inside,
            Self::ProvenInside => Word::Proven,
        }
    }
}

/// A target from `min` to `max`, both included.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Target {
    /// The smallest value inside.
    pub min: f64,
    /// The largest value inside.
    pub max: f64,
}

impl Target {
    /// Everything above `edge`, the edge itself not included.
    pub fn above(edge: f64) -> Self {
        Self { min: edge.next_up(), max: f64::INFINITY }
    }

    /// Everything below `edge`, the edge itself not included.
    pub fn below(edge: f64) -> Self {
        Self { min: f64::NEG_INFINITY, max: edge.next_down() }
    }

    /// The target with both edges moved outwards.
    pub fn widened(self, by: f64) -> Self {
        Self { min: self.min - by, max: self.max + by }
    }

    /// Whether a value lies inside.
    pub fn holds(self, value: f64) -> bool {
        self.min <= value && value <= self.max
    }

    /// How far a value is from the target: positive when it must rise, negative when it must fall, zero when
    /// it is there.
    pub fn gap(self, value: f64) -> f64 {
        if value < self.min {
            self.min - value
        } else if value > self.max {
            self.max - value
        } else {
            0.0
        }
    }

    /// Judges an estimate with its 95 % interval from `low` to `high`.
    pub fn judge(self, value: f64, low: f64, high: f64) -> Verdict {
        if value.is_nan() || low.is_nan() || high.is_nan() {
            Verdict::Unknown
        } else if self.holds(value) {
            if self.holds(low) && self.holds(high) { Verdict::ProvenInside } else { Verdict::Inside }
        } else if high < self.min || low > self.max {
            Verdict::ProvenOutside
        } else {
            Verdict::Outside
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const ALL: [Verdict; 5] =
        [Verdict::ProvenOutside, Verdict::Outside, Verdict::Unknown, Verdict::Inside, Verdict::ProvenInside];

    #[test]
    fn not_turns_the_scale_round_so_that_all_and_any_mirror_each_other() {
        for a in ALL {
            assert_eq!(a.opposite().opposite(), a);
            for b in ALL {
                assert_eq!(a.min(b).opposite(), a.opposite().max(b.opposite()));
            }
        }
    }

    #[test]
    fn the_four_words_of_an_interval_against_a_window() {
        let target = Target { min: 13.2, max: 14.8 };
        assert_eq!(target.judge(14.0, 13.9, 14.1), Verdict::ProvenInside);
        assert_eq!(target.judge(13.3, 13.1, 13.5), Verdict::Inside);
        assert_eq!(target.judge(13.1, 12.9, 13.3), Verdict::Outside);
        assert_eq!(target.judge(13.0, 12.9, 13.1), Verdict::ProvenOutside);
        assert_eq!(target.judge(13.2, 13.2, 14.8), Verdict::ProvenInside);
        assert_eq!(target.judge(f64::NAN, 0.0, 0.0), Verdict::Unknown);
    }

    #[test]
    fn a_gap_says_which_way() {
        let target = Target { min: 13.2, max: 14.8 };
        assert!((target.gap(13.0) - 0.2).abs() < 1e-12);
        assert!((target.gap(15.0) + 0.2).abs() < 1e-12);
        assert_eq!(target.gap(14.0), 0.0);
        assert!(Target::above(75.0).gap(75.0) > 0.0 && Target::above(75.0).gap(75.1) == 0.0);
    }
}
