//! From a socket to the router, with a bound on connections and an orderly end.

use std::future::IntoFuture;
use std::io;
use std::net::SocketAddr;
use std::pin::Pin;
use std::sync::Arc;
use std::task::{Context, Poll};

use axum::serve::Listener;
use clock::{Clock, Stop};
use model::{Place, Problem, ProblemKind};
use tokio::io::{AsyncRead, AsyncWrite, ReadBuf};
use tokio::net::{TcpListener, TcpStream};
use tokio::sync::{OwnedSemaphorePermit, Semaphore};

use crate::routes::router;
use crate::state::{ServiceState, check_loopback};

/// Begins to listen at a loopback address; port 0 takes any free one. Refuses an address that other computers
/// can reach.
pub async fn listen(address: SocketAddr) -> Result<TcpListener, Problem> {
    check_loopback(address)?;
    TcpListener::bind(address).await.map_err(|error| {
        let cure = match error.kind() {
            io::ErrorKind::AddrInUse => "end the program that listens there, or choose another port",
            io::ErrorKind::PermissionDenied => "choose a port above 1023, or 0 for any free one",
            _ => "choose another loopback address, such as 127.0.0.1:0",
        };
        socket_problem(&format!("listening at {address} failed: {error}"), cure)
    })
}

/// Serves until `stop` is raised; then answers what is under way within [`crate::Limits::grace`] and returns.
/// Refuses a listener that does not listen at the state's address. Needs a tokio runtime with I/O and time.
pub async fn serve(listener: TcpListener, state: ServiceState, stop: Stop) -> Result<(), Problem> {
    let address = listener.local_addr().map_err(|error| {
        socket_problem(&format!("the socket does not tell its address: {error}"), "start again")
    })?;
    check_loopback(address)?;
    if address != state.address() {
        let seen = format!("the socket listens at {address}, requests are checked for {}", state.address());
        return Err(socket_problem(&seen, "give both the same address"));
    }
    let limits = state.limits();
    let bounded = Bounded { listener, places: Arc::new(Semaphore::new(limits.connections)) };
    let stopping = stop.clone();
    let serving = axum::serve(bounded, router(state))
        .with_graceful_shutdown(async move { stopping.raised().await })
        .into_future();
    let late = async {
        stop.raised().await;
        let clock = Clock::real();
        clock.sleep_until(clock.now() + limits.grace).await;
    };
    tokio::select! {
        biased;
        ended = serving => ended.map_err(|error| {
            socket_problem(&format!("serving at {address} failed: {error}"), "start again")
        }),
        () = late => {
            tracing::warn!(%address, grace = %limits.grace, "answers still under way are cut off");
            Ok(())
        }
    }
}

fn socket_problem(seen: &str, cure: &str) -> Problem {
    Problem::new(ProblemKind::Argument, Place::Argument { name: "--listen".into() }, seen, cure)
}

/// A listener that takes a connection only while a place is free.
struct Bounded {
    listener: TcpListener,
    places: Arc<Semaphore>,
}

impl Listener for Bounded {
    type Io = Placed;
    type Addr = SocketAddr;

    async fn accept(&mut self) -> (Placed, SocketAddr) {
        let place = self.places.clone().acquire_owned().await.expect("the semaphore is never closed");
        let (stream, from) = Listener::accept(&mut self.listener).await;
        (Placed { stream, _place: place }, from)
    }

    fn local_addr(&self) -> io::Result<SocketAddr> {
        self.listener.local_addr()
    }
}

/// A connection that frees its place when it closes.
struct Placed {
    stream: TcpStream,
    _place: OwnedSemaphorePermit,
}

impl AsyncRead for Placed {
    fn poll_read(
        mut self: Pin<&mut Self>,
        cx: &mut Context<'_>,
        buffer: &mut ReadBuf<'_>,
    ) -> Poll<io::Result<()>> {
        Pin::new(&mut self.stream).poll_read(cx, buffer)
    }
}

impl AsyncWrite for Placed {
    fn poll_write(mut self: Pin<&mut Self>, cx: &mut Context<'_>, bytes: &[u8]) -> Poll<io::Result<usize>> {
        Pin::new(&mut self.stream).poll_write(cx, bytes)
    }

    fn poll_flush(mut self: Pin<&mut Self>, cx: &mut Context<'_>) -> Poll<io::Result<()>> {
        Pin::new(&mut self.stream).poll_flush(cx)
    }

    fn poll_shutdown(mut self: Pin<&mut Self>, cx: &mut Context<'_>) -> Poll<io::Result<()>> {
        Pin::new(&mut self.stream).poll_shutdown(cx)
    }

    fn poll_write_vectored(
        mut self: Pin<&mut Self>,
        cx: &mut Context<'_>,
        slices: &[io::IoSlice<'_>],
    ) -> Poll<io::Result<usize>> {
        Pin::new(&mut self.stream).poll_write_vectored(cx, slices)
    }

    fn is_write_vectored(&self) -> bool {
        self.stream.is_write_vectored()
    }
}
