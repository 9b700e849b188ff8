//! The events of a session as server-sent events (WHATWG HTML, 9.2, from memory).

use axum::body::{Body, Bytes};
use axum::http::header::CONTENT_TYPE;
use axum::http::{HeaderMap, StatusCode};
use axum::response::{IntoResponse, Response};
use model::{EventEnvelope, Place, Problem, ProblemKind};
use record::Session;
use serde::Deserialize;
use tokio::sync::OwnedSemaphorePermit;

use crate::refusal::Refusal;

/// The query of an event stream.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct Resume {
    after: Option<u64>,
}

impl Resume {
    /// The sequence number after which the client wants events; 0 for all of them. The header wins.
    pub(crate) fn after(&self, headers: &HeaderMap) -> Result<u64, Refusal> {
        const NAME: &str = "Last-Event-ID";
        let mut values = headers.get_all(NAME).iter();
        let Some(value) = values.next() else { return Ok(self.after.unwrap_or(0)) };
        let number = value.to_str().ok().filter(|text| text.bytes().all(|b| b.is_ascii_digit()));
        match (number.and_then(|text| text.parse().ok()), values.next()) {
            (Some(after), None) => Ok(after),
            _ => Err(Refusal::request(
                StatusCode::BAD_REQUEST,
                NAME,
                "it is not one sequence number".into(),
                "send the id of the last event received, a whole number, or leave the header out",
            )),
        }
    }
}

/// What is left of a session after an event, as the text of a stream; none when nothing is.
pub(crate) fn rest(session: &Session, after: u64) -> Result<Option<Vec<u8>>, Refusal> {
    let events = &session.events;
    // Taking up again counts on the order; a record without it must not be served as if it had one.
    if let Some(pair) = events.windows(2).find(|pair| pair[1].seq <= pair[0].seq) {
        let place = Place::Path { path: session.path.display().to_string() };
        let seen = format!("event {} follows event {}, so it cannot be streamed", pair[1].seq, pair[0].seq);
        let cure = "read its table of events as it is";
        return Err(Refusal::on_disk(Problem::new(ProblemKind::Record, place, seen, cure)));
    }
    let last = events.last().map_or(0, |event| event.seq);
    if after > last {
        return Err(Refusal::request(
            StatusCode::BAD_REQUEST,
            "after",
            format!("there is no event {after}: the last one of this session is {last}"),
            "ask after an event that was received, or without a number for all of them",
        ));
    }
    let from = events.partition_point(|event| event.seq <= after);
    let mut text = Vec::new();
    for event in &events[from..] {
        write(event, &mut text).map_err(|e| Refusal::own_fault(&e.to_string()))?;
    }
    Ok((!text.is_empty()).then_some(text))
}

/// JSON escapes line ends, so an event is always one line of data.
fn write(event: &EventEnvelope, text: &mut Vec<u8>) -> Result<(), serde_json::Error> {
    text.extend_from_slice(format!("id: {}\ndata: ", event.seq).as_bytes());
    serde_json::to_writer(&mut *text, event)?;
    text.extend_from_slice(b"\n\n");
    Ok(())
}

/// The answer that carries the text. The place among the streams is free again once the client has taken all
/// of it or has gone.
pub(crate) fn answer(rest: Option<Vec<u8>>, place: OwnedSemaphorePermit) -> Response {
    let Some(text) = rest else { return StatusCode::NO_CONTENT.into_response() };
    let body = Body::from(Bytes::from_owner(Held { text, _place: place }));
    ([(CONTENT_TYPE, "text/event-stream")], body).into_response()
}

struct Held {
    text: Vec<u8>,
    _place: OwnedSemaphorePermit,
}

impl AsRef<[u8]> for Held {
    fn as_ref(&self) -> &[u8] {
        &self.text
    }
}
