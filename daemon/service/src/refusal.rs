//! A refused request as a problem detail.

use axum::Json;
use axum::http::header::{CONTENT_TYPE, RETRY_AFTER};
use axum::http::{HeaderValue, StatusCode};
use axum::response::{IntoResponse, Response};
use model::{Place, Problem, ProblemKind};
use schemars::JsonSchema;
use serde::Serialize;

/// What a refused request is answered with.
#[derive(Debug)]
pub(crate) struct Refusal {
    status: StatusCode,
    problem: Problem,
}

/// A problem detail (RFC 9457).
// Its form is that of section 3 of the RFC, from memory: under the type `about:blank` the title is the status
// in words; kind, place, seen and cure are members of our own.
#[derive(Debug, Serialize, JsonSchema)]
pub(crate) struct ProblemDetail {
    /// Always `about:blank`.
    #[serde(rename = "type")]
    kind_of: &'static str,
    /// The status in words.
    title: String,
    /// The status.
    status: u16,
    /// What was seen, where, and the cure, in one sentence.
    detail: String,
    #[serde(flatten)]
    problem: Problem,
}

impl Refusal {
    pub(crate) fn new(status: StatusCode, problem: Problem) -> Self {
        Self { status, problem }
    }

    /// Something in the request cannot be used.
    pub(crate) fn request(status: StatusCode, name: &str, seen: String, cure: &str) -> Self {
        let place = Place::Argument { name: name.into() };
        Self::new(status, Problem::new(ProblemKind::Argument, place, seen, cure))
    }

    /// What lies on disk cannot be read.
    pub(crate) fn on_disk(problem: Problem) -> Self {
        Self::new(StatusCode::INTERNAL_SERVER_ERROR, problem)
    }

    /// Every stream is taken.
    pub(crate) fn busy(streams: usize) -> Self {
        Self::request(
            StatusCode::SERVICE_UNAVAILABLE,
            "events",
            format!("all {streams} event streams are in use"),
            "close one, or ask again later",
        )
    }

    /// This program broke.
    pub(crate) fn own_fault(seen: &str) -> Self {
        tracing::error!(seen, "a request failed by a fault of this program");
        let cure = "this is a fault of the program: report it with these words";
        Self::on_disk(Problem::new(ProblemKind::Program, Place::Program, seen, cure))
    }
}

impl IntoResponse for Refusal {
    fn into_response(self) -> Response {
        let detail = ProblemDetail {
            kind_of: "about:blank",
            title: self.status.canonical_reason().unwrap_or("refused").to_owned(),
            status: self.status.as_u16(),
            detail: self.problem.to_string(),
            problem: self.problem,
        };
        let mut response = (self.status, Json(detail)).into_response();
        let headers = response.headers_mut();
        headers.insert(CONTENT_TYPE, HeaderValue::from_static("application/problem+json"));
        if self.status == StatusCode::SERVICE_UNAVAILABLE {
            headers.insert(RETRY_AFTER, HeaderValue::from_static("5"));
        }
        response
    }
}
