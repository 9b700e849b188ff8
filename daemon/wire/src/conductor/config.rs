//! What a conductor must know of its controller.

use model::Span;

use crate::kline::{Client, ClientConfig, Timing, TimingCoding};

/// A request that can be scheduled.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ReadItem {
    /// The request's data.
    pub request: Vec<u8>,
    /// How the positive answer begins, service id included.
    pub prefix: Vec<u8>,
    /// How many bytes follow the prefix.
    pub answer: usize,
}

/// What a conductor must know of its controller.
#[derive(Debug, Clone)]
pub struct ConductorConfig {
    /// The link.
    pub client: ClientConfig,
    /// The session type to start after the wake-up.
    pub session: Option<u8>,
    /// Times to ask for after the wake-up, and how their bytes count.
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
    pub fn new(client: ClientConfig) -> Self {
        Self {
            client,
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
        if let Some((faster, _)) = &self.faster {
            client.timing = *faster;
        }
        let client = Client::new(client);
        self.reads.iter().map(|read| self.cost(&client, read)).collect()
    }

    /// What a read is expected to cost, its gap to the next request included.
    pub(super) fn cost(&self, client: &Client, read: &ReadItem) -> Span {
        let request = client.wire_length(read.request.len());
        let answer = client.wire_length(read.prefix.len() + read.answer);
        client.timing().shortest_exchange(request, answer, client.character())
    }
}
