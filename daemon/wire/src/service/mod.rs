//! Service ids and codes of ISO 14230-2 and -3 and of SAE J1979, and how their data are read.

mod control;
mod freeze_frame;
mod negative;
mod trouble_code;

pub use control::ControlParameter;
pub use freeze_frame::{Scaling, freeze_frame_data, freeze_frame_request, scaling};
pub use negative::{NegativeCode, negative};
pub use trouble_code::{CodesError, TroubleCode, emissions_codes, status_codes};

/// SAE J1979: current powertrain data.
pub const CURRENT_DATA: u8 = 0x01;
/// SAE J1979: stored trouble codes.
pub const STORED_CODES: u8 = 0x03;
/// startDiagnosticSession.
pub const START_SESSION: u8 = 0x10;
/// readDiagnosticTroubleCodesByStatus.
pub const READ_CODES_BY_STATUS: u8 = 0x18;
/// inputOutputControlByLocalIdentifier.
pub const CONTROL_BY_LOCAL_ID: u8 = 0x30;
/// testerPresent.
pub const TESTER_PRESENT: u8 = 0x3E;
/// startCommunication.
pub const START_COMMUNICATION: u8 = 0x81;
/// stopCommunication.
pub const STOP_COMMUNICATION: u8 = 0x82;
/// accessTimingParameters.
pub const ACCESS_TIMING: u8 = 0x83;
/// The first byte of every negative answer.
pub const NEGATIVE: u8 = 0x7F;

/// testerPresent: an answer is wanted.
pub const ANSWER_WANTED: u8 = 0x01;
/// testerPresent: no answer is wanted.
pub const NO_ANSWER_WANTED: u8 = 0x02;
/// accessTimingParameters: set the times that follow.
pub const SET_TIMES: u8 = 0x03;

/// The service id of a positive answer (ISO 14230-2, 4.2: bit 6 is set).
pub fn positive(service: u8) -> u8 {
    service | 0x40
}

/// Whether a request asks for no answer.
pub fn is_silent(request: &[u8]) -> bool {
    request == [TESTER_PRESENT, NO_ANSWER_WANTED]
}
