//! The nearest of the known words, for "did you mean".

/// Texts longer than this are nobody's slip of the finger, and comparing them would cost time.
const LONGEST: usize = 64;

/// The candidate that a person most likely meant by `text`, if any is near enough: at most one slip for each
/// three letters, and at least one. A slip is a letter too many, too few, wrong, or swapped with its neighbour.
/// Of two equally near the first wins.
pub fn nearest<'a>(text: &str, candidates: impl IntoIterator<Item = &'a str>) -> Option<&'a str> {
    let wanted = plain(text);
    if wanted.is_empty() || wanted.len() > LONGEST {
        return None;
    }
    let allowed = (wanted.len() / 3).max(1);
    let mut best: Option<(usize, &str)> = None;
    for candidate in candidates {
        let known = plain(candidate);
        if known.len() > LONGEST || known.len().abs_diff(wanted.len()) > allowed {
            continue;
        }
        let slips = slips(&wanted, &known);
        if slips <= allowed && best.is_none_or(|(least, _)| slips < least) {
            best = Some((slips, candidate));
        }
    }
    best.map(|(_, candidate)| candidate)
}

fn plain(text: &str) -> Vec<char> {
    text.trim()
        .chars()
        .take(LONGEST + 1)
        .map(|c| if c == '-' { '_' } else { c.to_ascii_lowercase() })
        .collect()
}

/// The optimal string alignment distance: insertions, deletions, substitutions, swaps of neighbours.
fn slips(a: &[char], b: &[char]) -> usize {
    let mut before: Vec<usize> = Vec::new();
    let mut last: Vec<usize> = (0..=b.len()).collect();
    for i in 1..=a.len() {
        let mut row = vec![i; b.len() + 1];
        for j in 1..=b.len() {
            let differs = usize::from(a[i - 1] != b[j - 1]);
            row[j] = (last[j - 1] + differs).min(last[j] + 1).min(row[j - 1] + 1);
            if i > 1 && j > 1 && a[i - 1] == b[j - 2] && a[i - 2] == b[j - 1] {
                row[j] = row[j].min(before[j - 2] + 1);
            }
        }
        before = std::mem::replace(&mut last, row);
    }
    last[b.len()]
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    #[test]
    fn finds_what_was_meant_and_nothing_far_off() {
        let known = ["rpm", "throttle", "coolant", "idle_valve"];
        for (text, meant) in [
            ("rmp", Some("rpm")),
            ("RPM", Some("rpm")),
            ("throtle", Some("throttle")),
            ("idle-valve", Some("idle_valve")),
            ("cooolant", Some("coolant")),
            ("battery", None),
            ("", None),
        ] {
            assert_eq!(nearest(text, known), meant, "{text}");
        }
    }

    proptest! {
        #[test]
        fn distance_is_a_symmetric_measure(a in "[ab_]{0,8}", b in "[ab_]{0,8}") {
            let (x, y) = (plain(&a), plain(&b));
            prop_assert_eq!(slips(&x, &y), slips(&y, &x));
            prop_assert_eq!(slips(&x, &y) == 0, a == b);
            prop_assert!(slips(&x, &y) <= x.len().max(y.len()));
        }
    }
}
