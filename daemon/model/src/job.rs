//! The job that a session belongs to, as its owner describes it.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::Quantity;

/// The job that a session belongs to. Every field may be left out.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Job {
    /// What was done to the car, in words.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub work: Option<String>,
    /// What the odometer shows: a length.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub odometer: Option<Quantity>,
    /// Temperature of the air around the car.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub ambient: Option<Quantity>,
    /// The fuel in its tank, in words.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub fuel: Option<String>,
    /// Anything else that its reader should know.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub note: Option<String>,
}

impl Job {
    /// Whether nothing is said of it.
    pub fn is_empty(&self) -> bool {
        *self == Self::default()
    }
}
