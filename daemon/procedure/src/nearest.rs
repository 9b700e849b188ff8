//! "Did you mean": the nearest known name to a misspelt one.

use model::nearest;

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

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn slips_are_recognised_and_strangers_are_not() {
        let known = ["rpm", "coolant", "battery"];
        for (wrong, right) in [("rmp", Some("rpm")), ("coolent", Some("coolant")), ("oil", None), ("", None)]
        {
            assert_eq!(nearest(wrong, known), right, "{wrong}");
        }
        assert_eq!(cure("oil_pressure", known.into_iter()), "there are: rpm, coolant, battery");
    }
}
