//! The service: recorded sessions over HTTP, for programs on this computer.
//!
//! It only reads. What it serves is JSON in the vocabulary of `model`, the events of a session as a stream of
//! server-sent events, and a page that says where all that is. Every refusal is a problem detail (RFC 9457)
//! that says what was seen, where, and the cure.
//!
//! | request | answer |
//! | --- | --- |
//! | `GET /` | a page that names the addresses below |
//! | `GET /v1/openapi.json` | this API as an OpenAPI 3.1 document |
//! | `GET /v1/sessions` | every closed session in short, [`SessionList`] |
//! | `GET /v1/sessions/{id}` | one session, checked against its digests, [`SessionDetail`] |
//! | `GET /v1/sessions/{id}/events` | its events, each with its sequence number as its id |
//!
//! A stream is taken up again with the header `Last-Event-ID: N`, or with `?after=N` where a header cannot be
//! sent; the header wins, because a client that reconnects sends it beside the address it began with. After
//! the last event of a session the stream ends, and a request for what comes after it is answered with
//! 204, which tells an event source to stop reconnecting (WHATWG HTML, 9.2.1, from memory).
//!
//! # Who may ask
//! Only this computer: [`listen`] and [`ServiceState::new`] refuse every other address. A page of another
//! site that the user's browser has open also runs on this computer, so a request must be addressed to a
//! loopback name with our port (a name that an attacker points at 127.0.0.1 is not one), and a request that
//! tells its origin must come from a page of ours. No header ever allows another origin to read an answer.
//!
//! # Bounds
//! [`Limits`] bounds connections, streams and reads. hyper gives up on a request whose head is not complete
//! once 417 792 bytes of it are buffered, or has more than 100 fields (431), or whose target is longer than
//! 65 534 bytes (414); it answers these by itself, without a problem detail. Bodies of requests are not read. A
//! connection may stay idle for as long as it likes: it takes one of the places, and only a program of this
//! computer can take one.

mod access;
mod openapi;
mod page;
mod reader;
mod refusal;
mod routes;
mod serve;
mod state;
mod stream;
mod view;

pub use openapi::openapi;
pub use routes::router;
pub use serve::{listen, serve};
pub use state::{Limits, ServiceState};
pub use view::{Channel, Cut, SessionDetail, SessionList, SessionSummary};
