//! Requests written as pairs of hex digits.

use crate::read::findings::{Findings, shown};

/// A request as it is written: bytes, and where the gap for the count is, if there is one.
#[derive(Debug, PartialEq, Eq)]
pub(crate) struct Written {
    pub(crate) bytes: Vec<u8>,
    pub(crate) gap: Option<usize>,
}

const GAP: &str = "{value}";

/// Reads pairs of hex digits, one `{value}` among them where `gap` allows it.
pub(crate) fn read(text: &str, gap: bool, pointer: &str, findings: &mut Findings<'_>) -> Option<Written> {
    let mut written = Written { bytes: Vec::new(), gap: None };
    for word in text.split_whitespace() {
        if word == GAP && gap && written.gap.is_none() {
            written.gap = Some(written.bytes.len());
            continue;
        }
        if word == GAP {
            let seen = if gap { "{value} stands twice" } else { "{value} stands where no value is sent" };
            let cure = if gap { "send the value once" } else { "only the engage request carries a value" };
            findings.problem(pointer, seen, cure);
            return None;
        }
        let Some(byte) = pair(word) else {
            findings.problem(
                pointer,
                format!("'{}' is not a pair of hex digits", shown(word)),
                "write each byte as two hex digits, with spaces between, as in \"21 A1\"",
            );
            return None;
        };
        written.bytes.push(byte);
    }
    if written.bytes.is_empty() {
        findings.problem(
            pointer,
            "there is no byte to send",
            "write the service and its identifier, as in \"21 A1\"",
        );
        return None;
    }
    Some(written)
}

fn pair(word: &str) -> Option<u8> {
    let digits = word.len() == 2 && word.bytes().all(|b| b.is_ascii_hexdigit());
    if digits { u8::from_str_radix(word, 16).ok() } else { None }
}
