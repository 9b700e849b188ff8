//! What a conductor must know of its controller.

use model::Span;

use crate::dialect::{Client, DialectConfig, Expected};
use crate::kline::{Timing, TimingCoding};

/// A request that can be scheduled.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ReadItem {
    /// The request's data.
    pub request: Vec<u8>,
    /// How the positive answer begins: in ISO 14230 with the service id, with single bytes mostly with nothing.
    pub prefix: Vec<u8>,
    /// How many bytes follow the prefix.
    pub answer: usize,
}

impl ReadItem {
    /// What the answer must be like.
    pub(super) fn expected(&self, client: &Client) -> Expected {
        let length = self.prefix.len() + self.answer;
        let begins = match client {
            // The service id is checked by the client.
            Client::Iso14230(_) => self.prefix.get(1..).unwrap_or_default(),
            Client::SingleByte(_) => &self.prefix[..],
        };
        Expected { begins: begins.to_vec(), length }
    }
}

/// What a conductor must know of its controller.
#[derive(Debug, Clone)]
pub struct ConductorConfig {
    /// The link.
    pub client: DialectConfig,
    /// The session type to start after the wake-up; ISO 14230 alone.
    pub session: Option<u8>,
    /// Times to ask for after the wake-up, and how their bytes count; ISO 14230 alone.
    pub faster: Option<(Timing, TimingCoding)>,
    /// What can be scheduled.
    pub reads: Vec<ReadItem>,
    /// After how long without a request the controller drops its session.
    pub controller_timeout: Option<Span>,
    /// How long to wait between failed wake-ups: the first pause, doubled each time up to the second.
    pub retry: (Span, Span),
}

impl ConductorConfig {
    /// Half a second between wake-ups at first, five at the most.
    pub fn new(client: impl Into<DialectConfig>) -> Self {
        Self {
            client: client.into(),
            session: None,
            faster: None,
            reads: Vec::new(),
            controller_timeout: None,
            retry: (Span::from_millis(500), Span::from_secs(5)),
        }
    }

    /// How long each read takes at the least, its gap to the next request included: with the times that are asked
    /// for, where any are, and with the header that holds before the controller has said which it takes.
    pub fn shortest_reads(&self) -> Vec<Span> {
        let mut client = self.client.clone();
        if let (Some((faster, _)), DialectConfig::Iso14230(client)) = (&self.faster, &mut client) {
            client.timing = *faster;
        }
        let client = Client::new(client);
        self.reads.iter().map(|read| self.cost(&client, read)).collect()
    }

    /// What a read is expected to cost, its gap to the next request included.
    pub(super) fn cost(&self, client: &Client, read: &ReadItem) -> Span {
        client.shortest_exchange(read.request.len(), read.prefix.len() + read.answer)
    }
}
