//! How long a request waits for its turn while others speak.

use model::{Moment, Span};

use crate::frame::LONGEST_DATA;

/// Characters of the longest message: four of header, the data, a checksum (ISO 14230-2, message structure). On a wire
/// without messages nothing longer is known either.
const LONGEST_MESSAGE: i64 = 4 + LONGEST_DATA as i64 + 1;

/// For ever, or until a moment.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub(crate) struct Patience(Option<Moment>);

impl Patience {
    /// No longer than the rest of one message, with characters of this length.
    pub(crate) fn of_one_message(now: Moment, character: Span) -> Self {
        Self(Some(now + character * LONGEST_MESSAGE))
    }

    /// The moment of its turn, which was at `at`, when somebody speaks and `wanted` would be fit.
    pub(crate) fn put_off(self, at: Moment, wanted: Moment) -> Moment {
        let later = at.max(wanted);
        self.0.map_or(later, |last| later.min(last.max(at)))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_turn_is_put_off_up_to_its_patience_and_never_moved_forward() {
        let at = |ms| Moment::ZERO + Span::from_millis(ms);
        // 260 characters of 1 ms.
        let short = Patience::of_one_message(at(0), Span::from_millis(1));
        assert_eq!(short.put_off(at(50), at(100)), at(100));
        assert_eq!(short.put_off(at(100), at(50)), at(100));
        assert_eq!(short.put_off(at(200), at(400)), at(260));
        assert_eq!(short.put_off(at(300), at(400)), at(300));
        assert_eq!(Patience::default().put_off(at(200), at(400)), at(400));
    }
}
