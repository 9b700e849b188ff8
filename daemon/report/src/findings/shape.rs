//! The shape of a file of rules, as data: the reader and the JSON Schema are both made from it.

/// What a key holds.
#[derive(Debug, Clone, Copy)]
pub(super) enum Holds {
    /// The version of the file.
    Version,
    /// A name: 1 to 64 of a-z, 0-9, '_' and '-'.
    Name,
    /// A list of names.
    Names,
    /// A text for people.
    Text,
    /// A list of texts.
    Texts,
    /// Points of evidence.
    Points,
    /// A number.
    Number,
    /// Two numbers, the lower first.
    Ends,
    /// A UCUM code.
    Unit,
    /// True or false.
    Flag,
    /// A set-up value, or one end of a window of the set-up values.
    Level,
    /// A table with one of the [`TESTS`].
    Test,
    /// A list of tables.
    Tables(&'static [Key]),
}

/// A key of a table.
#[derive(Debug)]
pub(super) struct Key {
    pub(super) name: &'static str,
    /// What it means, without a full stop.
    pub(super) words: &'static str,
    pub(super) needed: bool,
    pub(super) holds: Holds,
}

const fn needed(name: &'static str, holds: Holds, words: &'static str) -> Key {
    Key { name, words, needed: true, holds }
}

const fn free(name: &'static str, holds: Holds, words: &'static str) -> Key {
    Key { name, words, needed: false, holds }
}

/// The version of the file's shape.
pub(super) const VERSION: i64 = 1;

/// The most points that one piece of evidence may carry.
pub(super) const MOST_POINTS: f64 = 100.0;

/// The longest text for people, in characters.
pub(super) const LONGEST: usize = 400;

/// The keys of the file.
pub(super) const FILE: &[Key] = &[
    needed("schema", Holds::Version, "version of the file's shape"),
    needed("cause", Holds::Tables(CAUSE), "a cause and what speaks for and against it"),
];

/// The keys of a cause.
pub(super) const CAUSE: &[Key] = &[
    needed("id", Holds::Name, "id of the cause, used once"),
    needed("title", Holds::Text, "what is wrong, for people"),
    needed("next", Holds::Texts, "what to test or do next, in this order"),
    free(
        "needs",
        Holds::Names,
        "notes of its evidence without which nothing can be said of the cause: where one cannot be judged, \
         the cause is unknown and stands below all others",
    ),
    needed("evidence", Holds::Tables(EVIDENCE), "a note that speaks for or against the cause"),
];

/// The keys of a piece of evidence.
pub(super) const EVIDENCE: &[Key] = &[
    needed("note", Holds::Name, "key of a value in the run's notebook"),
    needed("is", Holds::Test, "what the value is held against"),
    needed("words", Holds::Text, "what it means when it is so, for people"),
    needed(
        "for",
        Holds::Points,
        "points when it is so: all when proven, half when the interval straddles an edge",
    ),
    free(
        "against",
        Holds::Points,
        "points taken when it is not so: all when the whole interval lies outside, half when it straddles an \
         edge; none by default",
    ),
];

/// The key that goes with the tests that hold numbers, and only with them.
pub(super) const UNIT: &Key = &free("unit", Holds::Unit, "unit of the numbers, as a UCUM code");

/// The tests; a table `is` holds exactly one.
pub(super) const TESTS: &[Key] = &[
    free("below", Holds::Number, "the value lies below this"),
    free("above", Holds::Number, "the value lies above this"),
    free("within", Holds::Ends, "the value lies between these two, both included"),
    free("outside", Holds::Ends, "the value lies below the first or above the second"),
    free("below_setup", Holds::Level, "the value lies below this set-up value"),
    free("above_setup", Holds::Level, "the value lies above this set-up value"),
    free("within_setup", Holds::Name, "the value lies in this window of the set-up values"),
    free("outside_setup", Holds::Name, "the value lies outside this window of the set-up values"),
    free("flag", Holds::Flag, "the note is this, yes or no"),
    free("contains", Holds::Texts, "the note is a text that has one of these words"),
];

impl Key {
    /// Whether a test of this key goes with a unit.
    pub(super) fn with_unit(&self) -> bool {
        matches!(self.holds, Holds::Number | Holds::Ends)
    }
}

impl Holds {
    /// What is asked for, to stand after "give".
    pub(super) fn asks(self) -> String {
        match self {
            Self::Version => format!("the number {VERSION}"),
            Self::Name => {
                "a name of 1 to 64 of a-z, 0-9, '_' and '-', starting with a letter or digit".into()
            }
            Self::Names => "a list of names".into(),
            Self::Text => format!("a text of 1 to {LONGEST} characters"),
            Self::Texts => format!("a list of at least one text, each of 1 to {LONGEST} characters"),
            Self::Points => format!("a number from 0 to {MOST_POINTS}"),
            Self::Number => "a number".into(),
            Self::Ends => "a list of two numbers, the lower first".into(),
            Self::Unit => "a UCUM code in quotes, such as \"V\", \"Cel\", \"{rev}/min\" or \"1\"".into(),
            Self::Flag => "true or false".into(),
            Self::Level => {
                "the name of a set-up value in quotes; for one end of a window, its name with .low or .high"
                    .into()
            }
            Self::Test => "a table with one test, such as { below = 12.0, unit = \"V\" }".into(),
            Self::Tables(_) => "a list of tables, each under a heading in double brackets".into(),
        }
    }
}

/// Whether a text can be a name.
pub(super) fn is_name(text: &str) -> bool {
    model::ChannelId::new(text).is_ok()
}
