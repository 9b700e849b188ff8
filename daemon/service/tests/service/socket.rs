//! The same over a real socket of this computer.

use std::io::ErrorKind;
use std::net::SocketAddr;

use clock::Stop;
use holdgate_service::{Limits, ServiceState, listen, serve};
use model::{Event, Problem, Span};
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::TcpStream;
use tokio::task::JoinHandle;

use crate::world::{World, remarks};

struct Running {
    address: SocketAddr,
    stop: Stop,
    task: JoinHandle<Result<(), Problem>>,
}

async fn start(world: &World, limits: Limits) -> Running {
    let listener = listen("127.0.0.1:0".parse().unwrap()).await.unwrap();
    let address = listener.local_addr().unwrap();
    let state = ServiceState::new(world.archive(), address, limits).unwrap();
    let stop = Stop::new();
    let task = tokio::spawn(serve(listener, state, stop.clone()));
    Running { address, stop, task }
}

/// Asks once and reads until the other end closes.
async fn once(address: SocketAddr, path: &str, host: &str) -> String {
    let mut stream = TcpStream::connect(address).await.unwrap();
    let request = format!("GET {path} HTTP/1.1\r\nHost: {host}\r\nConnection: close\r\n\r\n");
    stream.write_all(request.as_bytes()).await.unwrap();
    let mut text = String::new();
    stream.read_to_string(&mut text).await.unwrap();
    text
}

/// Asks for the page on a connection that stays open, and reads the whole answer.
async fn keep(stream: &mut TcpStream, address: SocketAddr) {
    stream.write_all(format!("GET / HTTP/1.1\r\nHost: {address}\r\n\r\n").as_bytes()).await.unwrap();
    let mut text = Vec::new();
    while !text.ends_with(b"</html>\n") {
        assert!(stream.read_buf(&mut text).await.unwrap() > 0, "closed early");
    }
    assert!(text.starts_with(b"HTTP/1.1 200 "));
}

#[tokio::test]
async fn a_client_on_this_computer_is_served_until_the_stop() {
    let world = World::new();
    let running = start(&world, Limits::default()).await;
    let host = running.address.to_string();
    let events = once(running.address, "/v1/sessions/first/events?after=5", &host).await;
    assert!(events.starts_with("HTTP/1.1 200 "), "{events}");
    assert!(events.contains("\r\n\r\nid: 6\ndata: {") && events.contains("\n\nid: 7\n"), "{events}");
    let foreign = once(running.address, "/v1/sessions", "evil.example").await;
    assert!(foreign.starts_with("HTTP/1.1 421 "), "{foreign}");
    // An idle connection that stays open must not hold the stop up.
    let mut idle = TcpStream::connect(running.address).await.unwrap();
    keep(&mut idle, running.address).await;
    running.stop.raise("test");
    running.task.await.unwrap().unwrap();
    assert_eq!(idle.read(&mut [0; 1]).await.unwrap(), 0, "the connection is closed");
}

#[tokio::test]
async fn a_head_without_measure_is_refused() {
    // The bounds are those hyper 1 and http 1 document as their defaults.
    let world = World::new();
    let running = start(&world, Limits::default()).await;
    let host = running.address.to_string();
    let fields = |count: usize| format!("{host}{}", "\r\nX: y".repeat(count - 2));
    for (path, host, status) in [
        ("/", fields(100), "200"),
        ("/", fields(101), "431"),
        (format!("/{}", "a".repeat(65_533)).as_str(), host.clone(), "404"),
        (format!("/{}", "a".repeat(65_534)).as_str(), host.clone(), "414"),
    ] {
        let answer = once(running.address, path, &host).await;
        assert!(answer.starts_with(&format!("HTTP/1.1 {status} ")), "{status}: {answer}");
    }
    running.stop.raise("test");
    running.task.await.unwrap().unwrap();
}

#[tokio::test]
async fn a_client_that_does_not_take_its_answer_does_not_hold_the_stop_up() {
    let world = World::empty();
    // More than the buffers of both ends of a connection hold.
    let mut events = remarks("first", 1..=400);
    for event in &mut events {
        event.event = Event::Remark { text: "turn ".repeat(16_000) };
    }
    world.record("first", &events);
    let running = start(&world, Limits { grace: Span::ZERO, ..Limits::default() }).await;
    let mut stuck = TcpStream::connect(running.address).await.unwrap();
    let request = format!("GET /v1/sessions/first/events HTTP/1.1\r\nHost: {}\r\n\r\n", running.address);
    stuck.write_all(request.as_bytes()).await.unwrap();
    let mut begin = [0; 12];
    stuck.read_exact(&mut begin).await.unwrap();
    assert_eq!(&begin, b"HTTP/1.1 200");
    running.stop.raise("test");
    running.task.await.unwrap().unwrap();
}

#[tokio::test]
async fn a_connection_beyond_the_bound_waits_for_a_place() {
    let world = World::new();
    let running = start(&world, Limits { connections: 1, ..Limits::default() }).await;
    let mut first = TcpStream::connect(running.address).await.unwrap();
    keep(&mut first, running.address).await;
    let mut second = TcpStream::connect(running.address).await.unwrap();
    second
        .write_all(format!("GET / HTTP/1.1\r\nHost: {}\r\n\r\n", running.address).as_bytes())
        .await
        .unwrap();
    for _ in 0..20 {
        keep(&mut first, running.address).await;
    }
    assert_eq!(second.try_read(&mut [0; 1]).unwrap_err().kind(), ErrorKind::WouldBlock);
    drop(first);
    let mut begin = [0; 12];
    second.read_exact(&mut begin).await.unwrap();
    assert_eq!(&begin, b"HTTP/1.1 200");
    running.stop.raise("test");
    running.task.await.unwrap().unwrap();
}

#[tokio::test]
async fn a_socket_at_another_address_than_the_checked_one_is_refused() {
    let world = World::new();
    let listener = listen("127.0.0.1:0".parse().unwrap()).await.unwrap();
    let mut other = listener.local_addr().unwrap();
    other.set_port(other.port() ^ 1);
    let state = ServiceState::new(world.archive(), other, Limits::default()).unwrap();
    let problem = serve(listener, state, Stop::new()).await.unwrap_err();
    assert!(problem.seen.contains("listens at"), "{problem}");
}

#[tokio::test]
async fn a_taken_address_is_told() {
    let listener = listen("127.0.0.1:0".parse().unwrap()).await.unwrap();
    let problem = listen(listener.local_addr().unwrap()).await.unwrap_err();
    assert!(problem.cure.contains("another port"), "{problem}");
}
