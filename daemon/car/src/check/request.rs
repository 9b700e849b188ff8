//! Requests that read data.

use std::collections::BTreeMap;

use crate::check::bytes;
use crate::raw::RawRequest;
use crate::read::findings::Findings;
use crate::read::source::below;
use crate::resolved::request::{ReadRequest, positive_prefix};
use crate::words::Dialect;

/// Services that read data and change nothing, with the length of their requests: service 01 of SAE J1979
/// (ISO 15031-5); readEcuIdentification, readDataByLocalIdentifier and readDataByCommonIdentifier of
/// ISO 14230-3 (from memory).
const SERVICES: &[(u8, usize)] = &[(0x01, 2), (0x1A, 2), (0x21, 2), (0x22, 3)];

pub(crate) fn resolve(
    raw: &RawRequest,
    pointer: &str,
    dialect: Option<Dialect>,
    longest_data: usize,
    findings: &mut Findings<'_>,
) -> Option<ReadRequest> {
    if dialect? == Dialect::SingleByte {
        let bytes = raw.bytes.as_deref();
        let bytes =
            bytes.and_then(|text| bytes::read(text, false, &below(pointer, "bytes"), findings))?.bytes;
        let answer_bytes = usize::from(raw.answer_bytes?);
        let (name, prefix, channels) = (raw.name.clone()?, Vec::new(), Vec::new());
        return Some(ReadRequest { name, bytes, prefix, answer_bytes, channels });
    }
    let bytes = raw.bytes.as_deref().and_then(|text| read_service(text, &below(pointer, "bytes"), findings));
    let answer_bytes = usize::from(raw.answer_bytes?);
    let bytes = bytes?;
    let prefix = positive_prefix(&bytes);
    let whole = prefix.len() + answer_bytes;
    if whole > longest_data {
        findings.problem(
            &below(pointer, "answer_bytes"),
            format!(
                "the whole answer has {whole} bytes, and a message with this header carries {longest_data}"
            ),
            format!(
                "give at most {}, or a header with a length byte",
                longest_data.saturating_sub(prefix.len())
            ),
        );
        return None;
    }
    Some(ReadRequest { name: raw.name.clone()?, bytes, prefix, answer_bytes, channels: Vec::new() })
}

fn read_service(text: &str, pointer: &str, findings: &mut Findings<'_>) -> Option<Vec<u8>> {
    let bytes = bytes::read(text, false, pointer, findings)?.bytes;
    let Some((service, length)) = SERVICES.iter().find(|(service, _)| *service == bytes[0]) else {
        findings.problem(
            pointer,
            format!("service {:02X} is not one that only reads", bytes[0]),
            "a request uses service 01, 1A, 21 or 22",
        );
        return None;
    };
    if bytes.len() != *length {
        findings.problem(
            pointer,
            format!("a request of service {service:02X} with {} bytes", bytes.len()),
            format!("service {service:02X} takes {} byte(s) of identifier", length - 1),
        );
        return None;
    }
    Some(bytes)
}

/// Two requests with the same bytes cost the wire twice the time for the same answer.
pub(crate) fn warn_about_twins(raw: &[RawRequest], findings: &mut Findings<'_>) {
    let mut first: BTreeMap<String, usize> = BTreeMap::new();
    for (i, request) in raw.iter().enumerate() {
        let Some(bytes) = &request.bytes else { continue };
        let plain = bytes.to_ascii_uppercase().split_whitespace().collect::<Vec<_>>().join(" ");
        match first.get(&plain) {
            None => {
                first.insert(plain, i);
            }
            Some(earlier) => {
                let line = findings.source().line(&format!("/request/{earlier}/bytes"));
                findings.warn(
                    &format!("/request/{i}/bytes"),
                    format!("the same bytes as the request on line {line}"),
                    "let the channels of both refer to one request: the wire is asked once instead of twice",
                );
            }
        }
    }
}
