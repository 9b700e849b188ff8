//! An archive with sessions written by the recorder's own writer, and a client without a network.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

use axum::Router;
use axum::body::{Body, to_bytes};
use axum::http::{HeaderMap, Request, Response, StatusCode};
use holdgate_service::{Limits, ServiceState, router};
use model::{
    ChannelId, Ending, Event, EventEnvelope, Moment, Quality, SCHEMA_VERSION, Sample, SessionId, Span,
    StationId, Uncertainty, Unit,
};
use record::{Archive, ChannelHead, SessionHead};
use serde_json::Value;
use tempfile::TempDir;
use tower::ServiceExt;

/// Nobody listens there: it is only what requests are checked for.
pub(crate) const HOST: &str = "127.0.0.1:8427";

/// 2026-11-25T08:00:00Z.
const STARTED: i64 = 1_795_593_600_000_000_000;

pub(crate) struct World {
    folder: TempDir,
}

pub(crate) struct Answer {
    pub(crate) status: StatusCode,
    pub(crate) headers: HeaderMap,
    pub(crate) body: Vec<u8>,
}

impl World {
    pub(crate) fn empty() -> Self {
        Self { folder: TempDir::new().unwrap() }
    }

    /// Two sessions: `first` with seven events, `second` with none.
    pub(crate) fn new() -> Self {
        let world = Self::empty();
        world.record("first", &remarks("first", 1..=7));
        world.record("second", &[]);
        world
    }

    pub(crate) fn root(&self) -> &Path {
        self.folder.path()
    }

    pub(crate) fn archive(&self) -> Archive {
        Archive::open(self.root()).unwrap().0
    }

    /// Records a session of three samples and these events, and gives its folder.
    pub(crate) fn record(&self, session: &str, events: &[EventEnvelope]) -> PathBuf {
        let mut writer = self.archive().begin(head(session)).unwrap();
        for at in 0..3 {
            writer.sample(&sample(at));
        }
        for event in events {
            writer.event(event);
        }
        writer.close(Ending::Undecided).unwrap().path
    }

    pub(crate) fn router(&self, limits: Limits) -> Router {
        router(ServiceState::new(self.archive(), HOST.parse().unwrap(), limits).unwrap())
    }

    /// What a well-behaved program gets.
    pub(crate) async fn get(&self, path: &str) -> Answer {
        self.ask("GET", path, &[("host", HOST)]).await
    }

    pub(crate) async fn ask(&self, method: &str, path: &str, headers: &[(&str, &str)]) -> Answer {
        collect(send(&self.router(Limits::default()), method, path, headers).await).await
    }
}

pub(crate) async fn send(
    router: &Router,
    method: &str,
    path: &str,
    headers: &[(&str, &str)],
) -> Response<Body> {
    let mut request = Request::builder().method(method).uri(path);
    for (name, value) in headers {
        request = request.header(*name, *value);
    }
    router.clone().oneshot(request.body(Body::empty()).unwrap()).await.unwrap()
}

pub(crate) async fn collect(response: Response<Body>) -> Answer {
    let (parts, body) = response.into_parts();
    let body = to_bytes(body, usize::MAX).await.unwrap().to_vec();
    Answer { status: parts.status, headers: parts.headers, body }
}

impl Answer {
    pub(crate) fn header(&self, name: &str) -> &str {
        self.headers.get(name).map_or("", |value| value.to_str().unwrap())
    }

    pub(crate) fn text(&self) -> &str {
        std::str::from_utf8(&self.body).unwrap()
    }

    pub(crate) fn json(&self) -> Value {
        assert_eq!(self.header("content-type"), "application/json", "{}", self.text());
        serde_json::from_slice(&self.body).unwrap()
    }

    /// Checks the form of a problem detail (RFC 9457, section 3, from memory: the media type; the members
    /// type, title, status and detail; the status the same as the answer's) and that it tells what, where and
    /// the cure.
    pub(crate) fn problem(&self, status: u16) -> Value {
        assert_eq!(self.status.as_u16(), status, "{}", self.text());
        assert_eq!(self.header("content-type"), "application/problem+json");
        let detail: Value = serde_json::from_slice(&self.body).unwrap();
        assert_eq!(detail["type"], "about:blank");
        assert_eq!(detail["status"], status);
        assert_eq!(detail["title"], self.status.canonical_reason().unwrap());
        for member in ["detail", "seen", "cure", "kind"] {
            assert!(!detail[member].as_str().unwrap().is_empty(), "{member} of {detail}");
        }
        assert!(detail["place"]["at"].is_string(), "{detail}");
        detail
    }
}

fn head(session: &str) -> SessionHead {
    SessionHead {
        session: SessionId::new(session).unwrap(),
        station: StationId::new("bench").unwrap(),
        car: "bench-car".into(),
        procedure: Some("idle-set-up".into()),
        program: "0.1.0".into(),
        utc_nanos: STARTED,
        job: model::Job::default(),
        tags: BTreeMap::from([("fuel".into(), "e10 \u{2028} \"x\"".into())]),
        description_sha256: "d1".into(),
        script_sha256: None,
        channels: vec![ChannelHead {
            id: ChannelId::new("rpm").unwrap(),
            title: "engine speed".into(),
            unit: Unit::new("{rev}/min").unwrap(),
            factor: 25.0,
            offset: 0.0,
            resolution: 25.0,
            noise: 3.0,
            shared: 5.0,
            rounding: "nearest".into(),
        }],
    }
}

fn sample(at: i64) -> Sample {
    Sample {
        channel: ChannelId::new("rpm").unwrap(),
        at: Moment(at),
        time_uncertainty: Span(400_000),
        raw: 34,
        value: 850.0,
        uncertainty: Uncertainty { noise: 3.0, resolution: 25.0, shared: 5.0 },
        quality: Quality::Good,
    }
}

/// Remarks whose texts try to end a line, an event or a stream early.
pub(crate) fn remarks(session: &str, numbers: impl IntoIterator<Item = u64>) -> Vec<EventEnvelope> {
    let event = |seq: u64| EventEnvelope {
        schema: SCHEMA_VERSION,
        seq,
        station: StationId::new("bench").unwrap(),
        session: SessionId::new(session).unwrap(),
        at: Moment(seq as i64 * 1_000),
        event: Event::Remark { text: format!("turn {seq}\r\n\ndata: x\rid: 9\n\n\u{2028}ä\0") },
    };
    numbers.into_iter().map(event).collect()
}
