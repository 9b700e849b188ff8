//! What went wrong: its kind, its place, what was seen, and the cure.

use std::fmt;

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::{ChannelId, Ending, OutputId};

/// What sort of thing is wrong.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum ProblemKind {
    /// A script cannot be used or broke a rule of its host.
    Script,
    /// A controller description cannot be used.
    Description,
    /// Rules of findings cannot be used.
    Rules,
    /// An argument or option cannot be used.
    Argument,
    /// The car did not reach what was waited for.
    Car,
    /// The link failed.
    Link,
    /// A held output could not be confirmed released.
    Release,
    /// Something could not be recorded.
    Record,
    /// A guard or an operator stopped the run.
    Stop,
    /// A fault of this program.
    Program,
}

impl ProblemKind {
    /// The ending that a problem of this kind leads to.
    pub fn ending(self) -> Ending {
        match self {
            Self::Script
            | Self::Description
            | Self::Rules
            | Self::Argument
            | Self::Record
            | Self::Program => Ending::BadInput,
            Self::Car => Ending::CarNotRight,
            Self::Link | Self::Release => Ending::LinkLost,
            Self::Stop => Ending::Stopped,
        }
    }
}

/// Where something is wrong.
#[derive(Debug, Clone, PartialEq, Eq, Hash, Serialize, Deserialize, JsonSchema)]
#[serde(tag = "at", rename_all = "snake_case")]
pub enum Place {
    /// A spot in a file; line and column count from 1, 0 where not known.
    File {
        /// Path or name of the file.
        file: String,
        /// Line, from 1.
        line: u32,
        /// Column, from 1.
        column: u32,
    },
    /// A key in a file of settings.
    Key {
        /// Path or name of the file.
        file: String,
        /// Line, from 1.
        line: u32,
        /// The dotted key.
        key: String,
    },
    /// A command-line argument.
    Argument {
        /// Its name.
        name: String,
    },
    /// A channel.
    Channel {
        /// Its id.
        channel: ChannelId,
    },
    /// An output.
    Output {
        /// Its id.
        output: OutputId,
    },
    /// The wire to the controller.
    Wire,
    /// A path on disk.
    Path {
        /// The path.
        path: String,
    },
    /// Nowhere in particular.
    Program,
}

impl fmt::Display for Place {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::File { file, line: 0, .. } => write!(f, "{file}"),
            Self::File { file, line, column: 0 } => write!(f, "{file}:{line}"),
            Self::File { file, line, column } => write!(f, "{file}:{line}:{column}"),
            Self::Key { file, line: 0, key } => write!(f, "{file}: {key}"),
            Self::Key { file, line, key } => write!(f, "{file}:{line}: {key}"),
            Self::Argument { name } => write!(f, "{name}"),
            Self::Channel { channel } => write!(f, "channel {channel}"),
            Self::Output { output } => write!(f, "output {output}"),
            Self::Wire => write!(f, "wire"),
            Self::Path { path } => write!(f, "{path}"),
            Self::Program => write!(f, "holdgate"),
        }
    }
}

/// One thing that is wrong, told so that its reader can mend it.
#[derive(Debug, Clone, PartialEq, Eq, Hash, Serialize, Deserialize, JsonSchema)]
pub struct Problem {
    /// What sort of thing.
    pub kind: ProblemKind,
    /// Where.
    pub place: Place,
    /// What was seen.
    pub seen: String,
    /// What to do about it.
    pub cure: String,
}

impl Problem {
    /// A problem in full.
    pub fn new(kind: ProblemKind, place: Place, seen: impl Into<String>, cure: impl Into<String>) -> Self {
        Self { kind, place, seen: seen.into(), cure: cure.into() }
    }
}

impl fmt::Display for Problem {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}: {}", self.place, self.seen)?;
        if !self.cure.is_empty() {
            write!(f, " ({})", self.cure)?;
        }
        Ok(())
    }
}

impl std::error::Error for Problem {}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_problem_says_where_what_and_the_cure() {
        let place = Place::File { file: "a.rhai".into(), line: 3, column: 7 };
        let problem = Problem::new(ProblemKind::Script, place, "no channel 'rmp'", "did you mean 'rpm'?");
        assert_eq!(problem.to_string(), "a.rhai:3:7: no channel 'rmp' (did you mean 'rpm'?)");
        let back: Problem = serde_json::from_str(&serde_json::to_string(&problem).unwrap()).unwrap();
        assert_eq!(back, problem);
    }
}
