//! Set-up values of the car.

use model::{ChannelId, OutputId, Quantity};

/// A set-up value of the car.
#[derive(Debug, Clone, PartialEq)]
pub struct SetupValue {
    /// What it is, in words.
    pub what: String,
    /// The level or window itself.
    pub amount: SetupAmount,
    /// The channel that it is compared with, if one is named.
    pub channel: Option<ChannelId>,
    /// The output that it is set on, if one is named.
    pub output: Option<OutputId>,
}

/// A level or a window.
#[derive(Debug, Clone, PartialEq)]
pub enum SetupAmount {
    /// One value.
    Level(Quantity),
    /// All values between two.
    Window {
        /// The lower edge.
        low: Quantity,
        /// The upper edge.
        high: Quantity,
    },
}
