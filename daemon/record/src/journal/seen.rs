//! Which frames of a journal have been read.

/// Numbers as stretches without a hole, in their order and never touching.
#[derive(Debug, Default)]
pub(super) struct Seen {
    stretches: Vec<(u32, u32)>,
}

/// More stretches than this are kept as if the smallest hole between them had been read: memory stays bounded on any
/// input, and a frame is at worst refused, never taken twice.
const MOST_STRETCHES: usize = 4_096;

impl Seen {
    /// Notes a number; `false` when it had been seen.
    pub(super) fn note(&mut self, number: u32) -> bool {
        let after = self.stretches.partition_point(|(first, _)| *first <= number);
        let follows = match after.checked_sub(1).map(|before| self.stretches[before]) {
            Some((_, last)) if last >= number => return false,
            Some((_, last)) => last + 1 == number,
            None => false,
        };
        let leads = self.stretches.get(after).is_some_and(|(first, _)| *first - 1 == number);
        match (follows, leads) {
            (true, true) => {
                self.stretches[after - 1].1 = self.stretches[after].1;
                self.stretches.remove(after);
            }
            (true, false) => self.stretches[after - 1].1 = number,
            (false, true) => self.stretches[after].0 = number,
            (false, false) => self.stretches.insert(after, (number, number)),
        }
        if self.stretches.len() > MOST_STRETCHES {
            self.close_smallest_hole();
        }
        true
    }

    /// How many numbers below the highest were never seen.
    pub(super) fn missing(&self) -> u64 {
        let mut next = 0;
        let mut missing = 0;
        for (first, last) in &self.stretches {
            missing += u64::from(*first) - next;
            next = u64::from(*last) + 1;
        }
        missing
    }

    fn close_smallest_hole(&mut self) {
        let hole = |i: &usize| self.stretches[*i].0 - self.stretches[*i - 1].1;
        let Some(at) = (1..self.stretches.len()).min_by_key(hole) else { return };
        self.stretches[at - 1].1 = self.stretches[at].1;
        self.stretches.remove(at);
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;
    use std::collections::BTreeSet;

    proptest! {
        #[test]
        fn it_agrees_with_a_plain_set(numbers in proptest::collection::vec(prop_oneof![0..60u32, u32::MAX - 5..=u32::MAX], 0..80)) {
            let (mut seen, mut plain) = (Seen::default(), BTreeSet::new());
            for number in numbers {
                prop_assert_eq!(seen.note(number), plain.insert(number));
                let below = plain.last().map_or(0, |last| u64::from(*last) + 1);
                prop_assert_eq!(seen.missing(), below - plain.len() as u64);
                prop_assert!(seen.stretches.windows(2).all(|w| w[0].1 + 1 < w[1].0));
            }
        }
    }

    #[test]
    fn it_stays_small_and_never_takes_a_number_twice() {
        let mut seen = Seen::default();
        for number in (0..20_000).map(|n| n * 3) {
            seen.note(number);
            assert!(seen.stretches.len() <= MOST_STRETCHES);
        }
        assert!((0..20_000).all(|n| !seen.note(n * 3)));
    }
}
