//! What to do with a controlled output, in ISO 14230-3.
//!
//! ISO 14229 gives the same byte other meanings (there 01 resets to default and 03 adjusts): this type is
//! for ISO 14230 alone and must never be shared with it.

/// inputOutputControlParameter of ISO 14230-3 (services 2F and 30; from memory).
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
#[repr(u8)]
pub enum ControlParameter {
    /// The controller takes its output back.
    ReturnControlToEcu = 0x00,
    /// The controller tells the state of its output.
    ReportCurrentState = 0x01,
    /// The controller sets its output to its default.
    ResetToDefault = 0x04,
    /// The controller leaves its output as it is.
    FreezeCurrentState = 0x05,
    /// The controller sets its output as the request says.
    ShortTermAdjustment = 0x07,
}

impl ControlParameter {
    /// Reads the byte.
    pub fn from_byte(byte: u8) -> Option<Self> {
        Some(match byte {
            0x00 => Self::ReturnControlToEcu,
            0x01 => Self::ReportCurrentState,
            0x04 => Self::ResetToDefault,
            0x05 => Self::FreezeCurrentState,
            0x07 => Self::ShortTermAdjustment,
            _ => return None,
        })
    }

    /// Whether the output is then in the tester's hands.
    pub fn takes_over(self) -> bool {
        matches!(self, Self::ResetToDefault | Self::FreezeCurrentState | Self::ShortTermAdjustment)
    }
}
