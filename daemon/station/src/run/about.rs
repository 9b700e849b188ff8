//! What a person says of a session beforehand.

use model::{Event, Job, Moment, Span};

use crate::sides::said::Said;

/// What a person says of a session beforehand.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct About {
    /// The job that it belongs to.
    pub job: Job,
    /// What they have measured by hand.
    pub measured: Vec<Event>,
    /// What the person of a rehearsal says, each at its moment, in the order of the moments.
    pub foretold: Vec<(Moment, Said)>,
    /// Every exchange is recorded as it was on the wire.
    pub wire_trace: bool,
    /// How much time may pass between two syncs of the journal, which is what a crash may cost; where it is not said,
    /// the usual one of whoever records.
    pub sync_every: Option<Span>,
}
