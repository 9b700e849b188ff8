//! Exchanges on the wire, as they are kept in a frame.
//!
//! An entry is: when it began, less the begin of the entry before or 0 (signed varint, ns) · how long it took (signed
//! varint, ns) · a byte for what was wrong: 0 nothing, 1 no answer, 2 incomplete, 3 checksum, 4 malformed, 5 echo,
//! 6 stranger · length of the request (varint) · the request · length of the answer (varint) · the answer.

use model::event::WireFault;
use model::{Exchange, Moment, Span};

use super::{LONGEST_BATCH, varint};

const FAULTS: [WireFault; 6] = [
    WireFault::NoAnswer,
    WireFault::Incomplete,
    WireFault::Checksum,
    WireFault::Malformed,
    WireFault::Echo,
    WireFault::Stranger,
];

/// Bytes of an entry beside request and answer, at most.
const BESIDE: usize = 10 + 10 + 1 + 10 + 10;

/// Gathers exchanges for a frame.
#[derive(Default)]
pub(crate) struct TraceWriter {
    at: i64,
    body: Vec<u8>,
}

impl TraceWriter {
    /// Appends an exchange; `false`, and nothing done, when not even an empty frame could hold it.
    pub(crate) fn push(&mut self, exchange: &Exchange) -> bool {
        if exchange.request.len() + exchange.answer.len() + BESIDE > LONGEST_BATCH / 2 {
            return false;
        }
        varint::put_signed(&mut self.body, exchange.at.0.wrapping_sub(self.at));
        self.at = exchange.at.0;
        varint::put_signed(&mut self.body, exchange.took.0);
        self.body.push(exchange.fault.map_or(0, number));
        for bytes in [&exchange.request, &exchange.answer] {
            varint::put(&mut self.body, bytes.len() as u64);
            self.body.extend_from_slice(bytes);
        }
        true
    }

    /// Bytes gathered.
    pub(crate) fn len(&self) -> usize {
        self.body.len()
    }

    /// Hands out what was gathered, unless it is nothing, and begins anew.
    pub(crate) fn take(&mut self, to: impl FnOnce(&[u8])) {
        if !self.body.is_empty() {
            to(&self.body);
            self.body.clear();
            self.at = 0;
        }
    }
}

fn number(fault: WireFault) -> u8 {
    match fault {
        WireFault::NoAnswer => 1,
        WireFault::Incomplete => 2,
        WireFault::Checksum => 3,
        WireFault::Malformed => 4,
        WireFault::Echo => 5,
        WireFault::Stranger => 6,
    }
}

/// Reads a frame's payload; `None` when the bytes are not exchanges.
pub(super) fn decode(mut payload: &[u8]) -> Option<Vec<Exchange>> {
    let mut exchanges = Vec::new();
    let mut at = 0_i64;
    while !payload.is_empty() {
        at = at.wrapping_add(varint::take_signed(&mut payload)?);
        let took = Span(varint::take_signed(&mut payload)?);
        let (fault, rest) = payload.split_first()?;
        payload = rest;
        let fault = match fault.checked_sub(1) {
            None => None,
            Some(i) => Some(*FAULTS.get(usize::from(i))?),
        };
        let request = take_bytes(&mut payload)?;
        let answer = take_bytes(&mut payload)?;
        exchanges.push(Exchange { at: Moment(at), took, request, answer, fault });
    }
    (!exchanges.is_empty()).then_some(exchanges)
}

fn take_bytes(payload: &mut &[u8]) -> Option<Vec<u8>> {
    let length = usize::try_from(varint::take(payload)?).ok()?;
    let (bytes, rest) = payload.split_at_checked(length)?;
    *payload = rest;
    Some(bytes.to_vec())
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn any_exchange() -> impl Strategy<Value = Exchange> {
        let bytes = || proptest::collection::vec(any::<u8>(), 0..20);
        (any::<i64>(), any::<i64>(), bytes(), bytes(), 0..7usize).prop_map(
            |(at, took, request, answer, fault)| {
                let fault = fault.checked_sub(1).map(|i| FAULTS[i]);
                Exchange { at: Moment(at), took: Span(took), request, answer, fault }
            },
        )
    }

    proptest! {
        #[test]
        fn any_exchanges_come_back(exchanges in proptest::collection::vec(any_exchange(), 1..20)) {
            let mut writer = TraceWriter::default();
            for _ in 0..2 {
                exchanges.iter().for_each(|exchange| assert!(writer.push(exchange)));
                let mut read = None;
                writer.take(|payload| read = decode(payload));
                prop_assert_eq!(read.as_ref(), Some(&exchanges));
            }
            writer.take(|_| panic!("there is nothing"));
        }

        #[test]
        fn no_bytes_panic(bytes: Vec<u8>) {
            decode(&bytes);
        }
    }

    #[test]
    fn one_that_no_frame_could_hold_is_refused() {
        let (request, answer) = (vec![0; LONGEST_BATCH / 2], Vec::new());
        let long = Exchange { at: Moment(0), took: Span(0), request, answer, fault: None };
        let mut writer = TraceWriter::default();
        assert!(!writer.push(&long));
        assert_eq!(writer.len(), 0);
    }

    #[test]
    fn every_fault_has_its_number() {
        for (fault, i) in FAULTS.into_iter().zip(1..) {
            assert_eq!(number(fault), i);
        }
    }
}
