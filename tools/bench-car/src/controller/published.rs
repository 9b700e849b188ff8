//! Reads the published check values for the tests of this folder.

use std::collections::BTreeMap;

pub(crate) const MESSAGES: &str = include_str!("../../../../tests/published/01_kline_messages.csv");
pub(crate) const ACCESS_TIMING: &str =
    include_str!("../../../../tests/published/01_kwp_access_timing_encoding.csv");
pub(crate) const KEY_BYTES: &str = include_str!("../../../../tests/published/01_kwp_key_bytes.csv");
pub(crate) const LINE_TIMING: &str = include_str!("../../../../tests/published/01_kline_timing.csv");

/// The rows of a table, by the names in its first line.
pub(crate) fn rows(table: &str) -> Vec<BTreeMap<String, String>> {
    let mut lines = table.lines();
    let names = fields(lines.next().expect("a table has a first line"));
    lines.map(|line| names.iter().cloned().zip(fields(line)).collect()).collect()
}

/// Bytes written as two-digit numbers between spaces.
pub(crate) fn bytes(hex: &str) -> Vec<u8> {
    hex.split_whitespace().map(|byte| u8::from_str_radix(byte, 16).expect("two hex digits")).collect()
}

fn fields(line: &str) -> Vec<String> {
    let (mut all, mut field, mut quoted) = (Vec::new(), String::new(), false);
    for c in line.chars() {
        match c {
            '"' => quoted = !quoted,
            ',' if !quoted => all.push(std::mem::take(&mut field)),
            other => field.push(other),
        }
    }
    all.push(field);
    all
}
