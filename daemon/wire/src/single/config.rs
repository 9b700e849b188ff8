//! What a client must know of its link.

use model::Span;

use crate::dialect::Expected;

/// What a client must know of its link.
#[derive(Debug, Clone)]
pub struct SingleConfig {
    /// Bits per second.
    pub baud: u32,
    /// Whether the adapter hears what it sends.
    pub echo: bool,
    /// The longest time from the end of a request to the start of its answer, and between two bytes of an answer.
    pub answer: Span,
    /// The shortest gap between two bytes of a request.
    pub byte_gap: Span,
    /// The shortest time from an answer to the next request.
    pub request_gap: Span,
    /// After this much silence the controller has forgotten half a request, and what comes belongs to nothing before.
    pub resync: Span,
    /// The request that shows whether the controller is there, and keeps it from letting go.
    pub keep_alive: Vec<u8>,
    /// What its answer is like.
    pub keep_alive_answer: Expected,
    /// How much later than on the wire the adapter may hand a byte over.
    pub latency: Span,
    /// How often a request is sent before it has failed.
    pub attempts: u8,
}

impl SingleConfig {
    /// An answer within 20 ms, no gaps, 50 ms of silence to begin anew, and three attempts, as in ISO 14230 (Regulation
    /// (EU) 2016/799, Annex IC, Appendix 7, DDP_027). The times are our choice, no published source: every description
    /// gives its own.
    pub fn new(baud: u32, keep_alive: Vec<u8>, keep_alive_answer: Expected) -> Self {
        Self {
            baud,
            echo: true,
            answer: Span::from_millis(20),
            byte_gap: Span::ZERO,
            request_gap: Span::ZERO,
            resync: Span::from_millis(50),
            keep_alive,
            keep_alive_answer,
            latency: Span::ZERO,
            attempts: 3,
        }
    }
}
