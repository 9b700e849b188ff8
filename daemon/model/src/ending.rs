//! How anything ends: one list for steps, procedures and the program.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// The one list of endings. Its numbers are the program's exit codes.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Ending {
    /// All that was asked is so.
    Passed,
    /// The tool worked; the car is not right.
    CarNotRight,
    /// The request, script, description or file cannot be used.
    BadInput,
    /// An operator or a guard stopped it.
    Stopped,
    /// The link to the car was lost and did not come back.
    LinkLost,
    /// It ran to its end, but something could not be decided.
    Undecided,
}

impl Ending {
    /// Every ending, gravest first: the order in which one ending displaces another.
    ///
    /// Bad input comes first because nothing judged under it can be trusted; a lost link next because it says
    /// that the car was out of reach; then a stop, then a judgement against the car, then an open question.
    pub const BY_PRECEDENCE: [Self; 6] =
        [Self::BadInput, Self::LinkLost, Self::Stopped, Self::CarNotRight, Self::Undecided, Self::Passed];

    /// The program's exit code for this ending.
    pub fn exit_code(self) -> u8 {
        match self {
            Self::Passed => 0,
            Self::CarNotRight => 1,
            Self::BadInput => 2,
            Self::Stopped => 3,
            Self::LinkLost => 4,
            Self::Undecided => 5,
        }
    }

    fn rank(self) -> usize {
        Self::BY_PRECEDENCE.iter().position(|e| *e == self).unwrap_or(0)
    }

    /// The graver of two endings.
    pub fn and(self, other: Self) -> Self {
        if other.rank() < self.rank() { other } else { self }
    }

    /// The ending in plain words.
    pub fn words(self) -> &'static str {
        match self {
            Self::Passed => "passed",
            Self::CarNotRight => "the car is not right",
            Self::BadInput => "bad input",
            Self::Stopped => "stopped",
            Self::LinkLost => "link lost",
            Self::Undecided => "undecided",
        }
    }
}

impl std::fmt::Display for Ending {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.pad(self.words())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn exit_codes_are_the_published_ones() {
        let codes: Vec<u8> = [
            Ending::Passed,
            Ending::CarNotRight,
            Ending::BadInput,
            Ending::Stopped,
            Ending::LinkLost,
            Ending::Undecided,
        ]
        .map(Ending::exit_code)
        .to_vec();
        assert_eq!(codes, [0, 1, 2, 3, 4, 5]);
    }

    #[test]
    fn the_graver_ending_wins_whatever_the_order() {
        for (i, grave) in Ending::BY_PRECEDENCE.iter().enumerate() {
            for mild in &Ending::BY_PRECEDENCE[i..] {
                assert_eq!(grave.and(*mild), *grave);
                assert_eq!(mild.and(*grave), *grave);
            }
        }
    }
}
