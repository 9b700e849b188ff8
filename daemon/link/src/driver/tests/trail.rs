//! One log of ledger and wire, so that their order can be looked at.

use std::sync::{Arc, Mutex};

use model::OutputId;

/// What happened at the ledger or on the wire.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) enum Mark {
    /// The ledger was asked to write an intent down; whether it did.
    Intended(OutputId, bool),
    /// The ledger was asked to strike an output out.
    Cleared(OutputId),
    /// A character left.
    Byte(u8),
}

/// The log, shared by everyone who writes in it.
#[derive(Debug, Clone, Default)]
pub(super) struct Trail(Arc<Mutex<Vec<Mark>>>);

impl Trail {
    pub(super) fn push(&self, mark: Mark) {
        self.0.lock().unwrap().push(mark);
    }

    pub(super) fn marks(&self) -> Vec<Mark> {
        self.0.lock().unwrap().clone()
    }

    /// The place of the first character of the first message that carries this data behind its header of
    /// three bytes.
    pub(super) fn first_byte_of(&self, data: &[u8]) -> Option<usize> {
        let marks = self.marks();
        let bytes: Vec<(usize, u8)> = marks
            .iter()
            .enumerate()
            .filter_map(|(i, mark)| match mark {
                Mark::Byte(byte) => Some((i, *byte)),
                _ => None,
            })
            .collect();
        let mut message = vec![0x80 | data.len() as u8, 0x2A, 0xF1];
        message.extend_from_slice(data);
        let found = bytes.windows(message.len()).find(|w| w.iter().map(|(_, b)| b).eq(message.iter()))?;
        Some(found[0].0)
    }
}
