//! What a reader of scripts must know of a function beyond its Rust types. It is written where the function is
//! registered, so that there is one list of functions and not two.

use std::any::TypeId;

use super::gate_spec::Shape;

/// One form of a function as scripts can call it.
#[derive(Debug, Clone)]
pub(crate) struct Form {
    /// Its name; that of a property begins with `get$`.
    pub(crate) name: String,
    /// The Rust types that it takes.
    pub(crate) takes: Vec<TypeId>,
    /// The Rust type that it gives.
    pub(crate) gives: TypeId,
    /// The rest.
    pub(crate) sense: Sense,
}

/// What a function means.
#[derive(Debug, Clone, Copy, Default)]
pub(crate) struct Sense {
    /// What its arguments are, in their order; those past the end are as their types say.
    pub(crate) roles: &'static [Role],
    /// What it gives, where its type says too little.
    pub(crate) gives: Gives,
    /// What it does, where that has rules of its own.
    pub(crate) meaning: Meaning,
    /// It touches the car, a person, the record or the notebook, so the header must come first.
    pub(crate) does: bool,
    /// The cautions must come first.
    pub(crate) after_caution: bool,
}

/// What an argument is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Role {
    /// What its type says.
    Plain,
    /// The name of a channel that the car has.
    Channel,
    /// A list of such names.
    Channels,
    /// The name of a channel that the car may have.
    MayChannel,
    /// The name of an output.
    Output,
    /// The name of a set-up value that the car has.
    Setup,
    /// The name of a set-up value that the car may have.
    MaySetup,
    /// The key of a note that is written.
    Writes,
    /// The key of a note that must have been written.
    Reads,
    /// The key of a note that may have been written.
    Asks,
    /// A length of time above zero.
    Time,
    /// A text that says something.
    Said,
    /// A quantity of the kind of the argument in this place: of the channel that it names, or of itself.
    Like(usize),
}

/// Whose unit a result has.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Of {
    /// That of the argument in this place, or of the channel that it names.
    Like(usize),
    /// This UCUM code.
    Unit(&'static str),
}

/// What a function gives.
#[derive(Debug, Clone, Copy, Default)]
pub(crate) enum Gives {
    /// What its type says.
    #[default]
    Plain,
    /// A quantity.
    Quantity(Of),
    /// A measurement.
    Measurement(Of),
    /// A trace.
    Trace(Of),
    /// This, or nothing.
    Maybe(&'static Gives),
    /// A whole number.
    Whole,
    /// Any text.
    Text,
    /// A list of texts.
    Texts,
    /// One of these words.
    Words(&'static [&'static str]),
    /// One of the texts of the list in this place.
    OneOf(usize),
    /// A map with these entries.
    Record(&'static [(&'static str, Gives)]),
}

/// What changes a gate.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Change {
    Over,
    Fresh,
    Hysteresis,
    Dwell,
    Dropout,
    Limit,
    Proven,
}

/// What a function does that has rules of its own.
#[derive(Debug, Clone, Copy, Default)]
pub(crate) enum Meaning {
    /// Nothing of that kind.
    #[default]
    Plain,
    /// Always refuses: it is registered so that the language does not answer in its stead.
    Refuses,
    /// The header of the procedure.
    Header,
    /// Shows the cautions.
    Caution,
    /// Does a step: name, title, closure.
    Step,
    /// Leaves a step out.
    Skip,
    /// Ends the run.
    Ends,
    /// Gives a number a unit.
    Unit(&'static str),
    /// Gives a number the unit of a code.
    ByCode,
    /// Brings a quantity to the unit of a code.
    Convert,
    /// The size of a quantity.
    Size,
    /// A condition on one channel with one number.
    Single(Shape),
    /// A condition on one channel between two levels.
    Within,
    /// Conditions joined in a list.
    Joined,
    /// The opposite of a condition.
    Not,
    /// A gate, changed.
    Change(Change),
    /// Conditions that stop the run.
    Guard,
    /// Waits for a gate.
    Wait,
    /// Has channels read this often.
    Poll,
    /// Has channels read no more.
    Rest,
    /// Averages a channel for a time.
    Measure,
    /// Takes the course of a channel for a time.
    Trace,
    /// Whether the car has it.
    Has,
    /// A set-up value.
    Setup,
    /// A window between two quantities.
    Window,
    /// A part of a window.
    Edge(Edge),
    /// A choice of at least two options, in the place of the list.
    Choice(usize),
    /// A number with a range, in the place of the map.
    Number(usize),
    /// Writes a note.
    Note,
    /// Reads a note.
    Noted,
    /// Whether there is a note.
    HasNote,
    /// Holds an output while a closure runs; `goes_on`: the script lives through its early end.
    Hold { goes_on: bool },
    /// Whether the car can be read while an output is held.
    ReadsWhileHeld,
    /// Judges a measurement against a window.
    Result,
}

/// A part of a window.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Edge {
    Low,
    High,
    Middle,
    Width,
}
