//! The words that stand in the column `quality`.

use model::{GapReason, Quality};

const QUALITIES: [Quality; 4] = [Quality::Good, Quality::Implausible, Quality::Saturated, Quality::Invalid];

/// The word for a quality, as its JSON has it.
pub(crate) fn quality_word(quality: Quality) -> &'static str {
    match quality {
        Quality::Good => "good",
        Quality::Implausible => "implausible",
        Quality::Saturated => "saturated",
        Quality::Invalid => "invalid",
    }
}

/// The word for the reason of a gap, as its JSON has it.
pub(crate) fn reason_word(why: GapReason) -> &'static str {
    match why {
        GapReason::NoAnswer => "no_answer",
        GapReason::Damaged => "damaged",
        GapReason::Refused => "refused",
        GapReason::LinkDown => "link_down",
        GapReason::Lost => "lost",
    }
}

/// What a word of that column says: the quality of a reading, or why there is none.
pub(crate) fn quality_of(word: &str) -> Option<Result<Quality, GapReason>> {
    let quality = QUALITIES.into_iter().find(|q| quality_word(*q) == word).map(Ok);
    quality.or_else(|| GapReason::ALL.into_iter().find(|why| reason_word(*why) == word).map(Err))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_words_are_those_of_the_json() {
        let json = |value: serde_json::Value| value.as_str().map(str::to_owned).unwrap();
        for quality in QUALITIES {
            assert_eq!(json(serde_json::to_value(quality).unwrap()), quality_word(quality));
            assert_eq!(quality_of(quality_word(quality)), Some(Ok(quality)));
        }
        for why in GapReason::ALL {
            assert_eq!(json(serde_json::to_value(why).unwrap()), reason_word(why));
            assert_eq!(quality_of(reason_word(why)), Some(Err(why)));
        }
        assert_eq!(quality_of("fine"), None);
    }
}
