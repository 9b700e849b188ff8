//! Negative answers: 7F, the service asked, a code (ISO 14230-3, 4.4; codes marked in the table).

/// A negative response code.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct NegativeCode(pub u8);

impl NegativeCode {
    /// busy-RepeatRequest.
    pub const BUSY_REPEAT_REQUEST: Self = Self(0x21);
    /// requestCorrectlyReceived-ResponsePending.
    pub const RESPONSE_PENDING: Self = Self(0x78);

    /// The code in plain words.
    ///
    /// 10 to 12, 22, 31, 35, 36, 50, 78: Regulation (EU) 2016/799, Annex IC, Appendices 7 and 8; the others
    /// ISO 14230-3:1999, 4.4, from memory.
    pub fn words(self) -> &'static str {
        match self.0 {
            0x10 => "it refuses without saying why",
            0x11 => "it does not have this service",
            0x12 => "it does not have this variant of the service, or the request is malformed",
            0x21 => "it is busy",
            0x22 => "its conditions for this are not met, or the order of requests is wrong",
            0x23 => "the routine is not complete",
            0x31 => "a value or identifier in the request is out of its range",
            0x33 => "access is locked",
            0x35 => "the key is wrong",
            0x36 => "too many attempts to unlock",
            0x37 => "the waiting time before the next attempt is not over",
            0x40..=0x43 => "it does not accept the download",
            0x50..=0x53 => "it does not accept the upload",
            0x71 => "the transfer is suspended",
            0x72 => "the transfer is aborted",
            0x74..=0x77 | 0x79 => "the transferred block is wrong",
            0x78 => "it has the request and will answer later",
            0x80 => "it does not offer this in the session that is active",
            _ => "it gives a reason of its own",
        }
    }
}

impl std::fmt::Display for NegativeCode {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "code {:02X}: {}", self.0, self.words())
    }
}

/// The code of a negative answer; none for a positive one.
pub fn negative(data: &[u8]) -> Option<NegativeCode> {
    match data {
        [super::NEGATIVE, _, code, ..] => Some(NegativeCode(*code)),
        _ => None,
    }
}
