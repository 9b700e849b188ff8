//! Monotonic time of a station in nanoseconds, and spans of it.
//!
//! A [`Moment`] counts from the start of the station's clock and means nothing without its anchor
//! ([`crate::event::Event::Anchor`]), which ties it to UTC.

use std::fmt;
use std::ops::{Add, AddAssign, Div, Mul, Neg, Sub};

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// A point on the station's monotonic clock, in nanoseconds since that clock started.
#[derive(
    Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Default, Serialize, Deserialize, JsonSchema,
)]
#[serde(transparent)]
pub struct Moment(pub i64);

/// A length of time in nanoseconds; negative where a difference is.
#[derive(
    Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Default, Serialize, Deserialize, JsonSchema,
)]
#[serde(transparent)]
pub struct Span(pub i64);

impl Moment {
    /// The start of the clock.
    pub const ZERO: Self = Self(0);
    /// Later than everything.
    pub const NEVER: Self = Self(i64::MAX);

    /// The time from `earlier` to `self`; negative when `earlier` is later.
    pub fn since(self, earlier: Self) -> Span {
        Span(self.0.saturating_sub(earlier.0))
    }

    /// Seconds since the clock started.
    pub fn as_secs_f64(self) -> f64 {
        self.0 as f64 * 1e-9
    }
}

impl Span {
    /// No time at all.
    pub const ZERO: Self = Self(0);
    /// Longer than everything.
    pub const MAX: Self = Self(i64::MAX);

    /// A span of whole nanoseconds.
    pub const fn from_nanos(n: i64) -> Self {
        Self(n)
    }

    /// A span of whole microseconds.
    pub const fn from_micros(us: i64) -> Self {
        Self(us.saturating_mul(1_000))
    }

    /// A span of whole milliseconds.
    pub const fn from_millis(ms: i64) -> Self {
        Self(ms.saturating_mul(1_000_000))
    }

    /// A span of whole seconds.
    pub const fn from_secs(s: i64) -> Self {
        Self(s.saturating_mul(1_000_000_000))
    }

    /// A span of seconds, rounded to the nearest nanosecond; saturates, and is zero for not-a-number.
    pub fn from_secs_f64(s: f64) -> Self {
        Self((s * 1e9).round() as i64)
    }

    /// The span in seconds.
    pub fn as_secs_f64(self) -> f64 {
        self.0 as f64 * 1e-9
    }

    /// The span in milliseconds.
    pub fn as_millis_f64(self) -> f64 {
        self.0 as f64 * 1e-6
    }
}

impl Add<Span> for Moment {
    type Output = Self;
    fn add(self, span: Span) -> Self {
        Self(self.0.saturating_add(span.0))
    }
}

impl AddAssign<Span> for Moment {
    fn add_assign(&mut self, span: Span) {
        *self = *self + span;
    }
}

impl Sub<Span> for Moment {
    type Output = Self;
    fn sub(self, span: Span) -> Self {
        Self(self.0.saturating_sub(span.0))
    }
}

impl Add for Span {
    type Output = Self;
    fn add(self, other: Self) -> Self {
        Self(self.0.saturating_add(other.0))
    }
}

impl AddAssign for Span {
    fn add_assign(&mut self, other: Self) {
        *self = *self + other;
    }
}

impl Sub for Span {
    type Output = Self;
    fn sub(self, other: Self) -> Self {
        Self(self.0.saturating_sub(other.0))
    }
}

impl Neg for Span {
    type Output = Self;
    fn neg(self) -> Self {
        Self(self.0.saturating_neg())
    }
}

impl Mul<i64> for Span {
    type Output = Self;
    fn mul(self, times: i64) -> Self {
        Self(self.0.saturating_mul(times))
    }
}

impl Div<i64> for Span {
    type Output = Self;
    fn div(self, by: i64) -> Self {
        Self(self.0 / by)
    }
}

impl fmt::Display for Span {
    /// Plain words: `250 ms`, `4.0 s`, `2 min 5 s`.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let s = self.as_secs_f64();
        if s.abs() < 1.0 {
            write!(f, "{:.0} ms", s * 1e3)
        } else if s.abs() < 60.0 {
            write!(f, "{s:.1} s")
        } else {
            let whole = s.abs().round() as i64;
            let sign = if s < 0.0 { "-" } else { "" };
            write!(f, "{sign}{} min {} s", whole / 60, whole % 60)
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn arithmetic_saturates_and_never_wraps() {
        assert_eq!(Moment::NEVER + Span::from_secs(1), Moment::NEVER);
        assert_eq!(Moment(i64::MIN).since(Moment::NEVER), Span(i64::MIN));
        assert_eq!(Span::from_secs_f64(f64::NAN), Span::ZERO);
        assert_eq!(Span::from_secs_f64(1e300), Span::MAX);
    }

    #[test]
    fn spans_read_as_a_person_would_say_them() {
        assert_eq!(Span::from_millis(250).to_string(), "250 ms");
        assert_eq!(Span::from_secs(4).to_string(), "4.0 s");
        assert_eq!(Span::from_secs(125).to_string(), "2 min 5 s");
        assert_eq!(Span::from_secs(-125).to_string(), "-2 min 5 s");
    }
}
