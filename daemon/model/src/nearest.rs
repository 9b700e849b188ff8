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
    let allowed = (wanted.chars().count() / 3).max(1);
    let mut best: Option<(usize, &str)> = None;
    for candidate in candidates {
        let known = plain(candidate);
        if known.len() > LONGEST || known.len().abs_diff(wanted.len()) > allowed {
            continue;
        }
        let slips = strsim::osa_distance(&wanted, &known);
        if slips <= allowed && best.is_none_or(|(least, _)| slips < least) {
            best = Some((slips, candidate));
        }
    }
    best.map(|(_, candidate)| candidate)
}

fn plain(text: &str) -> String {
    text.trim()
        .chars()
        .take(LONGEST + 1)
        .map(|c| if c == '-' { '_' } else { c.to_ascii_lowercase() })
        .collect()
}

#[cfg(test)]
mod tests {
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
}
