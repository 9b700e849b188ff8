//! What the data point to: a cause with its grade, its evidence, and what to test next.

use std::fmt;

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::Word;

/// How strongly the data point to a cause, the most likely first.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Grade {
    /// Much speaks for it, and at least one piece of evidence is proven.
    Likely,
    /// More speaks for it than against it.
    Possible,
    /// Nothing speaks for it, or at least as much against it.
    Unlikely,
    /// What would have to be known is not.
    Unknown,
}

impl fmt::Display for Grade {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(match self {
            Self::Likely => "likely",
            Self::Possible => "possible",
            Self::Unlikely => "unlikely",
            Self::Unknown => "unknown",
        })
    }
}

/// Which way a piece of evidence speaks.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Speaks {
    /// For the cause.
    For,
    /// Against it.
    Against,
    /// Neither way.
    Nothing,
}

/// A value of the notebook held against what a cause would make of it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Evidence {
    /// Key of the value in the notebook.
    pub note: String,
    /// What it would mean, in words: `pinching the hoses slows the engine`.
    pub words: String,
    /// The value in words, or why there is none to judge: `idle_held 812 ± 6 r/min`.
    pub seen: String,
    /// What was looked for, in words: `above 800 r/min`.
    pub target: String,
    /// The word of the judge.
    pub word: Word,
    /// Which way it speaks.
    pub speaks: Speaks,
}

/// A cause that was considered.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Cause {
    /// Its id among the rules.
    pub id: String,
    /// Its title.
    pub title: String,
    /// How strongly the data point to it.
    pub grade: Grade,
    /// Points for it less points against it; only comparable within one set of rules.
    pub score: f64,
    /// The evidence in the order of the rules.
    pub evidence: Vec<Evidence>,
    /// What to test next, in this order.
    pub next: Vec<String>,
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn grades_sort_with_the_most_likely_first_and_say_themselves_in_plain_words() {
        let mut grades = [Grade::Unknown, Grade::Possible, Grade::Likely, Grade::Unlikely];
        grades.sort();
        let words: Vec<String> = grades.iter().map(ToString::to_string).collect();
        assert_eq!(words, ["likely", "possible", "unlikely", "unknown"]);
        assert_eq!(serde_json::to_string(&Speaks::Against).unwrap(), "\"against\"");
    }
}
