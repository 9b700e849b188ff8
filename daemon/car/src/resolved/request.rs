//! Requests that read data.

/// Why an answer cannot be read.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum DecodeError {
    /// The data end before the value does: the controller answers in another layout than the description says.
    #[error("the answer has {got} data bytes where at least {needed} are needed")]
    TooShort {
        /// Bytes needed.
        needed: usize,
        /// Bytes there.
        got: usize,
    },
    /// The answer has another length than the description says.
    #[error("the answer has {got} data bytes where {expected} are described")]
    Length {
        /// Bytes described.
        expected: usize,
        /// Bytes there.
        got: usize,
    },
    /// The answer does not echo the service and identifier of the request.
    #[error("the answer begins with {} where {} was expected", hex(got), hex(expected))]
    Prefix {
        /// The bytes expected.
        expected: Vec<u8>,
        /// The bytes there, as many at the most.
        got: Vec<u8>,
    },
}

/// A request that reads data.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ReadRequest {
    /// Its name.
    pub name: String,
    /// Service and identifier.
    pub bytes: Vec<u8>,
    /// How a positive answer begins: in ISO 14230 the service plus 0x40, then the identifier; with single bytes nothing.
    pub prefix: Vec<u8>,
    /// How many data bytes follow.
    pub answer_bytes: usize,
    /// The channels in its answer, as places in the description's list.
    pub channels: Vec<usize>,
}

impl ReadRequest {
    /// The data of a positive answer: what follows the prefix, of the described length.
    pub fn data<'a>(&self, answer: &'a [u8]) -> Result<&'a [u8], DecodeError> {
        let data = after_prefix(&self.prefix, answer)?;
        if data.len() == self.answer_bytes {
            Ok(data)
        } else {
            Err(DecodeError::Length { expected: self.answer_bytes, got: data.len() })
        }
    }
}

/// Bytes as people write them: `61 A1`.
pub(crate) fn hex(bytes: &[u8]) -> String {
    bytes.iter().map(|byte| format!("{byte:02X}")).collect::<Vec<_>>().join(" ")
}

/// How a positive answer to a request begins: its service plus 0x40, then the bytes that are echoed.
pub(crate) fn positive_prefix(echoed: &[u8]) -> Vec<u8> {
    let mut prefix = echoed.to_vec();
    if let Some(service) = prefix.first_mut() {
        *service = service.wrapping_add(0x40);
    }
    prefix
}

pub(crate) fn after_prefix<'a>(prefix: &[u8], answer: &'a [u8]) -> Result<&'a [u8], DecodeError> {
    answer.strip_prefix(prefix).ok_or_else(|| DecodeError::Prefix {
        expected: prefix.to_vec(),
        got: answer.iter().take(prefix.len()).copied().collect(),
    })
}

/// A big-endian number of 1 to 4 bytes at a place in the data.
pub(crate) fn big_endian(data: &[u8], at: usize, bytes: usize, signed: bool) -> Result<i64, DecodeError> {
    let field = data
        .get(at..at.saturating_add(bytes))
        .ok_or(DecodeError::TooShort { needed: at.saturating_add(bytes), got: data.len() })?;
    let unsigned = field.iter().fold(0_i64, |sum, byte| (sum << 8) | i64::from(*byte));
    let span = 1_i64 << (8 * bytes);
    Ok(if signed && unsigned >= span / 2 { unsigned - span } else { unsigned })
}

/// The least and the greatest count of a number of 1 to 4 bytes.
pub(crate) fn count_limits(bytes: usize, signed: bool) -> (i64, i64) {
    let span = 1_i64 << (8 * bytes);
    if signed { (-span / 2, span / 2 - 1) } else { (0, span - 1) }
}
