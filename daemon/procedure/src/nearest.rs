//! "Did you mean": the nearest known name to a misspelt one.

/// Names as they stand in a cure, at most this many.
const SHOWN: usize = 12;

/// The cure for an unknown name: the nearest known one, or the list of them.
pub(crate) fn cure<'a>(wrong: &str, known: impl Iterator<Item = &'a str>) -> String {
    let known: Vec<&str> = known.collect();
    if let Some(name) = nearest(wrong, known.iter().copied()) {
        return format!("did you mean '{name}'?");
    }
    if known.is_empty() {
        return "there are none".into();
    }
    let more = if known.len() > SHOWN { ", …" } else { "" };
    format!("there are: {}{more}", known.iter().take(SHOWN).copied().collect::<Vec<_>>().join(", "))
}

/// The nearest name, where one is near enough to be a slip of the fingers: a third of its letters at the most.
pub(crate) fn nearest<'a>(wrong: &str, known: impl Iterator<Item = &'a str>) -> Option<&'a str> {
    let wrong: Vec<char> = wrong.chars().take(64).collect();
    known
        .map(|name| (distance(&wrong, &name.chars().collect::<Vec<_>>()), name))
        .filter(|(d, name)| *d <= (wrong.len().max(name.len()) / 3).max(1))
        .min()
        .map(|(_, name)| name)
}

/// Single-letter edits and swaps of neighbours between two words (optimal string alignment).
fn distance(a: &[char], b: &[char]) -> usize {
    let mut rows = vec![vec![0; b.len() + 1]; a.len() + 1];
    rows[0] = (0..=b.len()).collect();
    for i in 1..=a.len() {
        rows[i][0] = i;
        for j in 1..=b.len() {
            let changed = usize::from(a[i - 1] != b[j - 1]);
            let mut best = (rows[i - 1][j] + 1).min(rows[i][j - 1] + 1).min(rows[i - 1][j - 1] + changed);
            if i > 1 && j > 1 && a[i - 1] == b[j - 2] && a[i - 2] == b[j - 1] {
                best = best.min(rows[i - 2][j - 2] + 1);
            }
            rows[i][j] = best;
        }
    }
    rows[a.len()][b.len()]
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn slips_are_recognised_and_strangers_are_not() {
        let known = ["rpm", "coolant", "battery"];
        for (wrong, right) in [("rmp", Some("rpm")), ("coolent", Some("coolant")), ("oil", None), ("", None)]
        {
            assert_eq!(nearest(wrong, known.into_iter()), right, "{wrong}");
        }
        assert_eq!(cure("oil_pressure", known.into_iter()), "there are: rpm, coolant, battery");
    }
}
