//! Events as server-sent events, and taking a stream up again.

use holdgate_service::Limits;
use model::EventEnvelope;

use crate::world::{HOST, World, collect, remarks, send};

const PATH: &str = "/v1/sessions/first/events";

/// Reads a stream as an event source does (WHATWG HTML, 9.2.6, from memory): lines end in CR LF, LF or CR; a
/// blank line dispatches; what is not followed by a blank line is dropped.
fn parse(text: &str) -> Vec<(String, String)> {
    let (mut events, mut id, mut data) = (Vec::new(), String::new(), Vec::new());
    let text = text.replace("\r\n", "\n").replace('\r', "\n");
    let mut lines: Vec<&str> = text.split('\n').collect();
    lines.pop();
    for line in lines {
        let (field, value) = line.split_once(':').unwrap_or((line, ""));
        let value = value.strip_prefix(' ').unwrap_or(value);
        match field {
            "" if line.is_empty() && data.is_empty() => {}
            "" if line.is_empty() => events.push((id.clone(), std::mem::take(&mut data).join("\n"))),
            "id" if !value.contains('\0') => id = value.to_owned(),
            "data" => data.push(value),
            other => panic!("no such field is sent: '{other}'"),
        }
    }
    events
}

fn envelopes(text: &str) -> Vec<EventEnvelope> {
    let envelope = |(id, data): (String, String)| {
        let event: EventEnvelope = serde_json::from_str(&data).unwrap();
        assert_eq!(event.seq.to_string(), id);
        event
    };
    parse(text).into_iter().map(envelope).collect()
}

#[tokio::test]
async fn a_stream_holds_every_event_as_recorded_and_ends() {
    let answer = World::new().get(PATH).await;
    assert_eq!((answer.status.as_u16(), answer.header("content-type")), (200, "text/event-stream"));
    assert_eq!(envelopes(answer.text()), remarks("first", 1..=7));
}

#[tokio::test]
async fn a_stream_taken_up_again_gives_exactly_the_rest() {
    let world = World::new();
    for after in 0..7u64 {
        let number = after.to_string();
        let by_query = world.get(&format!("{PATH}?after={number}")).await;
        let by_header = world.ask("GET", PATH, &[("host", HOST), ("last-event-id", &number)]).await;
        let both = [("host", HOST), ("last-event-id", number.as_str())];
        let by_both = world.ask("GET", &format!("{PATH}?after=3"), &both).await;
        for answer in [by_query, by_header, by_both] {
            assert_eq!(envelopes(answer.text()), remarks("first", after + 1..=7), "after {after}");
        }
    }
}

#[tokio::test]
async fn nothing_left_tells_an_event_source_to_stop() {
    // WHATWG HTML, 9.2.1 (from memory): 204 ends the reconnecting.
    let world = World::new();
    for path in
        [&format!("{PATH}?after=7"), "/v1/sessions/second/events", "/v1/sessions/second/events?after=0"]
    {
        let answer = world.get(path).await;
        assert_eq!((answer.status.as_u16(), answer.body.len()), (204, 0), "{path}");
    }
}

#[tokio::test]
async fn a_line_that_breaks_anywhere_loses_and_doubles_nothing() {
    let world = World::new();
    let whole = world.get(PATH).await.text().to_owned();
    for cut in (0..whole.len()).step_by(23).filter(|cut| whole.is_char_boundary(*cut)) {
        let mut got = envelopes(&whole[..cut]);
        let last = got.last().map_or("0".into(), |event| event.seq.to_string());
        let rest = world.ask("GET", PATH, &[("host", HOST), ("last-event-id", &last)]).await;
        got.extend(envelopes(rest.text()));
        assert_eq!(got, remarks("first", 1..=7), "cut at byte {cut}");
    }
}

#[tokio::test]
async fn lost_events_leave_a_gap_that_is_passed_on() {
    let world = World::empty();
    let events = remarks("first", [1, 2, 9, 12]);
    world.record("first", &events);
    for (after, from) in [(0, 0), (1, 1), (2, 2), (5, 2), (9, 3), (11, 3)] {
        let answer = world.get(&format!("{PATH}?after={after}")).await;
        assert_eq!(envelopes(answer.text()), events[from..], "after {after}");
    }
}

#[tokio::test]
async fn what_is_no_sequence_number_is_refused() {
    let world = World::new();
    for query in [
        "after=",
        "after=-1",
        "after=1.5",
        "after=x",
        "after=18446744073709551616",
        "after=8",
        "after=1&after=2",
        "before=1",
    ] {
        world.get(&format!("{PATH}?{query}")).await.problem(400);
    }
    for header in ["", "-1", "+1", "1.5", "x", "18446744073709551616", "8", "1, 2"] {
        world.ask("GET", PATH, &[("host", HOST), ("last-event-id", header)]).await.problem(400);
    }
    let twice = [("host", HOST), ("last-event-id", "1"), ("last-event-id", "2")];
    world.ask("GET", PATH, &twice).await.problem(400);
}

#[tokio::test]
async fn streams_are_bounded_and_a_place_comes_back() {
    let world = World::new();
    let router = world.router(Limits { streams: 1, ..Limits::default() });
    let host = [("host", HOST)];
    let first = send(&router, "GET", PATH, &host).await;
    assert_eq!(first.status(), 200);
    let refused = collect(send(&router, "GET", PATH, &host).await).await;
    refused.problem(503);
    assert!(!refused.header("retry-after").is_empty());
    // The first has been answered but not taken yet; reading it, or hanging up, frees its place.
    assert_eq!(envelopes(collect(first).await.text()).len(), 7);
    drop(send(&router, "GET", PATH, &host).await);
    assert_eq!(collect(send(&router, "GET", PATH, &host).await).await.status, 200);
    // A refused request and one with nothing left take no place for good.
    for path in ["/v1/sessions/absent/events", "/v1/sessions/second/events"] {
        drop(send(&router, "GET", path, &host).await);
    }
    assert_eq!(collect(send(&router, "GET", PATH, &host).await).await.status, 200);
}
