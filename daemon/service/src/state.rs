//! What all requests share.

use std::net::SocketAddr;
use std::sync::Arc;

use model::{Place, Problem, ProblemKind, Span};
use record::Archive;
use tokio::sync::{OwnedSemaphorePermit, Semaphore};

use crate::refusal::Refusal;

/// How much is served at once.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Limits {
    /// Open connections; a further one waits until one of them closes.
    pub connections: usize,
    /// Event streams under way; a further one is refused with 503. Each keeps the text of its session's
    /// events in memory until its client has taken it.
    pub streams: usize,
    /// Reads of the archive under way; a further one waits.
    pub reads: usize,
    /// How long answers under way may take once the service was told to stop.
    pub grace: Span,
}

impl Default for Limits {
    fn default() -> Self {
        Self { connections: 64, streams: 16, reads: 2, grace: Span::from_secs(3) }
    }
}

/// What all requests share. Copies are the same state.
#[derive(Clone)]
pub struct ServiceState(Arc<Inner>);

struct Inner {
    archive: Archive,
    address: SocketAddr,
    limits: Limits,
    reads: Arc<Semaphore>,
    streams: Arc<Semaphore>,
}

impl std::fmt::Debug for ServiceState {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("ServiceState").field("address", &self.0.address).finish_non_exhaustive()
    }
}

impl ServiceState {
    /// The state of a service that hears requests at `address`, which must be a loopback address with the
    /// port really listened at.
    pub fn new(archive: Archive, address: SocketAddr, limits: Limits) -> Result<Self, Problem> {
        check_loopback(address)?;
        Ok(Self(Arc::new(Inner {
            archive,
            address,
            limits,
            reads: Arc::new(Semaphore::new(limits.reads)),
            streams: Arc::new(Semaphore::new(limits.streams)),
        })))
    }

    /// Where requests are heard.
    pub fn address(&self) -> SocketAddr {
        self.0.address
    }

    /// How much is served at once.
    pub fn limits(&self) -> Limits {
        self.0.limits
    }

    /// A place among the streams, or a refusal when all are taken.
    pub(crate) fn stream_place(&self) -> Result<OwnedSemaphorePermit, Refusal> {
        self.0.streams.clone().try_acquire_owned().map_err(|_| Refusal::busy(self.0.limits.streams))
    }

    /// Runs work that waits for the disk where it holds nobody up.
    pub(crate) async fn read<T: Send + 'static>(
        &self,
        work: impl FnOnce(&Archive) -> Result<T, Refusal> + Send + 'static,
    ) -> Result<T, Refusal> {
        let place = self.0.reads.clone().acquire_owned().await.expect("the semaphore is never closed");
        let state = self.clone();
        let done = tokio::task::spawn_blocking(move || {
            // The place belongs to the work, not to the request: a client that hangs up ends only its wait.
            let _place = place;
            work(&state.0.archive)
        });
        done.await.unwrap_or_else(|error| Err(Refusal::own_fault(&error.to_string())))
    }
}

/// Refuses an address that other computers can reach.
pub(crate) fn check_loopback(address: SocketAddr) -> Result<(), Problem> {
    if address.ip().is_loopback() {
        return Ok(());
    }
    Err(Problem::new(
        ProblemKind::Argument,
        Place::Argument { name: "--listen".into() },
        format!("{address} can be reached from other computers"),
        "listen at a loopback address such as 127.0.0.1 or [::1]",
    ))
}
