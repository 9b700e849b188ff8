//! One request and what came back, as bytes.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::event::WireFault;
use crate::{Moment, Span};

/// One request and what came back, as it was on the wire. Recorded only where a trace of the wire is wanted.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct Exchange {
    /// When the first character of the request began.
    pub at: Moment,
    /// How long it took, to the end of the last character or until it was given up.
    pub took: Span,
    /// The request, with header and checksum where the dialect has them.
    pub request: Vec<u8>,
    /// What came back, as far as it came.
    pub answer: Vec<u8>,
    /// What was wrong with it, if anything was.
    pub fault: Option<WireFault>,
}
