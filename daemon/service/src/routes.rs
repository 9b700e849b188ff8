//! Which request is answered by what.

use axum::extract::rejection::{PathRejection, QueryRejection};
use axum::extract::{Path, Query, State};
use axum::http::{HeaderMap, Method, StatusCode, Uri};
use axum::response::{Html, Response};
use axum::routing::get;
use axum::{Json, Router, middleware};
use model::SessionId;
use serde_json::Value;

use crate::openapi::openapi;
use crate::page::PAGE;
use crate::refusal::Refusal;
use crate::state::ServiceState;
use crate::stream::Resume;
use crate::view::{SessionDetail, SessionList};
use crate::{access, reader, stream};

/// The whole API. Every answer, also that to an unknown path, has passed the check of who may ask.
pub fn router(state: ServiceState) -> Router {
    Router::new()
        .route("/", get(page))
        .route("/v1/openapi.json", get(document))
        .route("/v1/sessions", get(sessions))
        .route("/v1/sessions/{id}", get(session))
        .route("/v1/sessions/{id}/events", get(events))
        .fallback(nothing_here)
        .method_not_allowed_fallback(not_so)
        .layer(middleware::from_fn_with_state(state.clone(), access::guard))
        .with_state(state)
}

async fn page() -> Html<&'static str> {
    Html(PAGE)
}

async fn document() -> Json<Value> {
    Json(openapi())
}

async fn sessions(State(state): State<ServiceState>) -> Result<Json<SessionList>, Refusal> {
    state.read(reader::list).await.map(Json)
}

async fn session(
    State(state): State<ServiceState>,
    id: Result<Path<String>, PathRejection>,
) -> Result<Json<SessionDetail>, Refusal> {
    let id = parse(id)?;
    state.read(move |archive| Ok(SessionDetail::new(&reader::session(archive, &id)?))).await.map(Json)
}

async fn events(
    State(state): State<ServiceState>,
    id: Result<Path<String>, PathRejection>,
    resume: Result<Query<Resume>, QueryRejection>,
    headers: HeaderMap,
) -> Result<Response, Refusal> {
    let id = parse(id)?;
    let Query(resume) = resume.map_err(|rejection| {
        let cure = "write ?after= and the sequence number of an event, or leave it out";
        Refusal::request(StatusCode::BAD_REQUEST, "query", rejection.body_text(), cure)
    })?;
    let after = resume.after(&headers)?;
    let place = state.stream_place()?;
    let rest = state.read(move |archive| stream::rest(&reader::session(archive, &id)?, after)).await?;
    Ok(stream::answer(rest, place))
}

/// Only what is an id reaches the archive: nothing that could mean another folder is one.
fn parse(id: Result<Path<String>, PathRejection>) -> Result<SessionId, Refusal> {
    let refuse = |seen: String| {
        Refusal::request(StatusCode::BAD_REQUEST, "session", seen, "choose one of /v1/sessions")
    };
    let Path(text) = id.map_err(|rejection| refuse(rejection.body_text()))?;
    SessionId::new(&text).map_err(|error| refuse(error.to_string()))
}

async fn nothing_here(uri: Uri) -> Refusal {
    Refusal::request(
        StatusCode::NOT_FOUND,
        "path",
        format!("there is nothing at '{}'", uri.path().chars().take(120).collect::<String>()),
        "see / for what there is",
    )
}

async fn not_so(method: Method) -> Refusal {
    Refusal::request(
        StatusCode::METHOD_NOT_ALLOWED,
        "method",
        format!("'{}' is not served here: this service only reads", method.as_str()),
        "use GET",
    )
}
