//! How long exchanges take, and how late this side speaks.

use hdrhistogram::Histogram;
use model::Span;
use model::event::Spread;

/// One figure's distribution.
#[derive(Debug, Clone, PartialEq)]
struct Distribution(Histogram<u64>);

/// Times are kept to two digits: a spread is looked at, not calculated with.
const DIGITS: u8 = 2;

impl Default for Distribution {
    fn default() -> Self {
        // A resizing histogram from one nanosecond on.
        let mut histogram = Histogram::new(DIGITS).expect("up to five digits are allowed");
        histogram.auto(true);
        Self(histogram)
    }
}

impl Distribution {
    fn put(&mut self, time: Span) {
        // A time below zero is none.
        let nanos = u64::try_from(time.0).unwrap_or(0);
        self.0.record(nanos).expect("a resizing histogram takes every value");
    }

    fn spread(&self) -> Spread {
        let span = |nanos: u64| Span(i64::try_from(nanos).unwrap_or(i64::MAX));
        Spread {
            count: self.0.len(),
            median: span(self.0.value_at_quantile(0.5)),
            p99: span(self.0.value_at_quantile(0.99)),
            worst: span(self.0.max()),
        }
    }
}

/// The times of a wire.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct WireTimes {
    exchange: Distribution,
    request_late: Distribution,
    character_late: Distribution,
}

impl WireTimes {
    /// An exchange took this long.
    pub(crate) fn exchange(&mut self, time: Span) {
        self.exchange.put(time);
    }

    /// A character was handed over this long after it was due; `within` a request or as its first.
    pub(crate) fn spoke(&mut self, within: bool, late: Span) {
        if within { self.character_late.put(late) } else { self.request_late.put(late) }
    }

    /// From the first character of a request to the last of its answer.
    pub fn exchanges(&self) -> Spread {
        self.exchange.spread()
    }

    /// How late the first characters of requests were handed over.
    pub fn requests_late(&self) -> Spread {
        self.request_late.spread()
    }

    /// How late later characters of requests were handed over.
    pub fn characters_late(&self) -> Spread {
        self.character_late.spread()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_spread_is_told_to_two_digits() {
        let mut times = WireTimes::default();
        (1..=1_000).for_each(|i| times.spoke(true, Span::from_micros(i)));
        times.spoke(false, Span(-5));
        let spread = times.characters_late();
        assert_eq!(spread.count, 1_000);
        assert!((spread.median.as_millis_f64() - 0.5).abs() < 0.01, "{spread:?}");
        assert!((spread.p99.as_millis_f64() - 0.99).abs() < 0.01, "{spread:?}");
        assert!((spread.worst.as_millis_f64() - 1.0).abs() < 0.01, "{spread:?}");
        let one = times.requests_late();
        assert_eq!((one.count, one.worst), (1, Span::ZERO));
        assert_eq!(times.exchanges(), Spread::default());
    }
}
