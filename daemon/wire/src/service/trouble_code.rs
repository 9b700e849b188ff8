//! Trouble codes: two bytes as a letter and four digits (SAE J2012; ISO 15031-6).

use std::fmt;

/// A trouble code.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct TroubleCode(pub [u8; 2]);

impl fmt::Display for TroubleCode {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let [high, low] = self.0;
        let letter = ['P', 'C', 'B', 'U'][usize::from(high >> 6)];
        write!(f, "{letter}{}{:X}{low:02X}", high >> 4 & 0x3, high & 0xF)
    }
}

/// Why an answer holds no list of codes.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
pub enum CodesError {
    /// The answer belongs to another service.
    #[error("the answer is not one of this service")]
    Service,
    /// The length does not fit whole codes.
    #[error("the answer's length does not fit the codes it should hold")]
    Length,
}

/// The codes in a positive answer of SAE J1979 service 03 on K-line: groups of two bytes, padded with zeros.
pub fn emissions_codes(data: &[u8]) -> Result<Vec<TroubleCode>, CodesError> {
    let rest = data.strip_prefix(&[super::positive(super::STORED_CODES)]).ok_or(CodesError::Service)?;
    let pairs = rest.chunks_exact(2);
    if !pairs.remainder().is_empty() {
        return Err(CodesError::Length);
    }
    Ok(pairs.filter(|pair| *pair != [0, 0]).map(|pair| TroubleCode([pair[0], pair[1]])).collect())
}

/// The codes in a positive answer of readDiagnosticTroubleCodesByStatus: a count, then two bytes of code and
/// one of status each (ISO 14230-3, from memory).
pub fn status_codes(data: &[u8]) -> Result<Vec<(TroubleCode, u8)>, CodesError> {
    let prefix = [super::positive(super::READ_CODES_BY_STATUS)];
    let [count, rest @ ..] = data.strip_prefix(&prefix).ok_or(CodesError::Service)? else {
        return Err(CodesError::Length);
    };
    if rest.len() != usize::from(*count) * 3 {
        return Err(CodesError::Length);
    }
    Ok(rest.chunks_exact(3).map(|code| (TroubleCode([code[0], code[1]]), code[2])).collect())
}
