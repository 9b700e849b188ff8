//! Findings and their words.

use std::fmt;

use model::{Ending, Place, Problem, ProblemKind};

/// How much a finding weighs.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Class {
    /// The host would refuse it, or it can never do what it is there for.
    Mistake,
    /// It works, and is worth a look.
    Hint,
    /// It cannot be told before the procedure is run.
    Undecided,
}

impl Class {
    /// The stable word for it.
    pub fn word(self) -> &'static str {
        match self {
            Self::Mistake => "mistake",
            Self::Hint => "hint",
            Self::Undecided => "undecided",
        }
    }
}

macro_rules! kinds {
    ($($(#[doc = $doc:literal])+ $name:ident = $word:literal,)+) => {
        /// What a finding is about.
        #[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
        pub enum Kind {
            $($(#[doc = $doc])+ $name,)+
        }

        impl Kind {
            /// Every kind.
            pub const ALL: &[Self] = &[$(Self::$name,)+];

            /// The stable word for it.
            pub fn word(self) -> &'static str {
                match self {
                    $(Self::$name => $word,)+
                }
            }
        }
    };
}

kinds! {
    /// The text is not in the language; nothing after it was looked at.
    Syntax = "syntax",
    /// The header is missing, comes too late or cannot be used.
    Header = "header",
    /// No such channel.
    Channel = "channel",
    /// No such output.
    Output = "output",
    /// No such set-up value.
    Setup = "setup",
    /// The car or the header does not know the name.
    Undeclared = "undeclared",
    /// Declared in the header and never used.
    Unused = "unused",
    /// No such variable.
    Variable = "variable",
    /// No such function.
    Function = "function",
    /// A function cannot take these arguments.
    Arguments = "arguments",
    /// A value has no such property.
    Property = "property",
    /// A map has a key that is not known, or lacks one.
    Key = "key",
    /// A wrong unit, or quantities of different kinds.
    Unit = "unit",
    /// A value that the host refuses.
    Value = "value",
    /// A text that must say something is empty, or a name cannot be one.
    Text = "text",
    /// A comparison that can only come out one way.
    Comparison = "comparison",
    /// Something that may be () is used as if it were there.
    Absent = "absent",
    /// A wait without a limit.
    Limit = "limit",
    /// Times that do not go together.
    Time = "time",
    /// Finer than the channel resolves.
    Resolution = "resolution",
    /// Too few readings for what is asked of them.
    Rate = "rate",
    /// A hold that the host or the description refuses.
    Hold = "hold",
    /// A person is asked or an output held before the cautions.
    Caution = "caution",
    /// A step within a step, or two of one name.
    Step = "step",
    /// Never reached.
    Unreachable = "unreachable",
    /// A script variable carried from one step to another.
    Carried = "carried",
    /// A note that nobody writes.
    Note = "note",
    /// A name that the finding rules use and the script or the car does not have.
    Findings = "findings",
    /// A limit of the host on scripts.
    Size = "size",
}

/// One finding.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Finding {
    /// How much it weighs.
    pub class: Class,
    /// What it is about.
    pub kind: Kind,
    /// The file that it is in.
    pub file: String,
    /// Its line, from 1; 0 where it is about the whole file.
    pub line: u32,
    /// Its column, from 1; 0 where it is about the whole line.
    pub column: u32,
    /// What was seen.
    pub seen: String,
    /// What to do about it; may be empty.
    pub cure: String,
}

impl Finding {
    /// The same in the words of the house, for whoever treats all problems alike.
    pub fn problem(&self) -> Problem {
        let place = Place::File { file: self.file.clone(), line: self.line, column: self.column };
        Problem::new(ProblemKind::Script, place, self.seen.clone(), self.cure.clone())
    }
}

impl fmt::Display for Finding {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let Self { file, line, column, seen, cure, .. } = self;
        let place = Place::File { file: file.clone(), line: *line, column: *column };
        write!(f, "{place}: {} [{}]: {seen}", self.class.word(), self.kind.word())?;
        if cure.is_empty() { Ok(()) } else { write!(f, " ({cure})") }
    }
}

/// What a check came to.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Checked {
    /// Every finding, by file, line and column.
    pub findings: Vec<Finding>,
}

impl Checked {
    /// How many findings of a class there are.
    pub fn count(&self, class: Class) -> usize {
        self.findings.iter().filter(|finding| finding.class == class).count()
    }

    /// Bad input where there is any mistake, passed otherwise.
    pub fn ending(&self) -> Ending {
        if self.count(Class::Mistake) > 0 { Ending::BadInput } else { Ending::Passed }
    }
}
