//! What the controller was asked and what it sent, as a table for others to check a record against.

use std::io::{Result, Write};

use crate::happened::Happened;

/// Writes a line of CSV (RFC 4180) for every message that the controller sent, with a header line: start of
/// its first byte and end of its last in nanoseconds of the caller's clock, the request taken last before it and
/// the message itself, both whole and in hex. A request with several answers stands beside each. Nothing is decoded
/// here, so that whoever reads it decodes for himself.
pub fn write_sent(log: &[Happened], out: &mut dyn Write) -> Result<()> {
    let mut asked: &[u8] = &[];
    writeln!(out, "start_ns,end_ns,request,answer")?;
    for happened in log {
        match happened {
            Happened::Request { bytes, .. } => asked = bytes,
            Happened::Sent { start, end, bytes } => {
                writeln!(out, "{start},{end},{},{}", hex(asked), hex(bytes))?;
            }
            _ => {}
        }
    }
    out.flush()
}

fn hex(bytes: &[u8]) -> String {
    bytes.iter().map(|byte| format!("{byte:02X}")).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_answer_stands_beside_the_request_taken_last() {
        let log = [
            Happened::Woken { at: 1 },
            Happened::Request { at: 5, bytes: vec![0x82, 0x01] },
            Happened::Sent { start: 7, end: 9, bytes: vec![0x7F] },
            Happened::Sent { start: 11, end: 12, bytes: vec![0x0A, 0xFF] },
            Happened::Request { at: 20, bytes: vec![0x03] },
            Happened::Withheld { at: 22, bytes: vec![0x04] },
        ];
        let mut out = Vec::new();
        write_sent(&log, &mut out).unwrap();
        let text = String::from_utf8(out).unwrap();
        assert_eq!(text, "start_ns,end_ns,request,answer\n7,9,8201,7F\n11,12,8201,0AFF\n");
    }
}
