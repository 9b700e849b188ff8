//! The API as an OpenAPI 3.1 document, whose schemas come from the types that are served.

use model::EventEnvelope;
use schemars::generate::SchemaSettings;
use serde_json::{Value, json};

use crate::refusal::ProblemDetail;
use crate::view::{SessionDetail, SessionList};

/// The API as an OpenAPI 3.1 document. Its schemas are JSON Schema 2020-12, generated from the types served.
pub fn openapi() -> Value {
    let settings = SchemaSettings::draft2020_12().with(|s| s.definitions_path = "/components/schemas".into());
    // Answers are described as they are written, not as they may be read.
    let mut generator = settings.for_serialize().into_generator();
    let list = generator.subschema_for::<SessionList>();
    let detail = generator.subschema_for::<SessionDetail>();
    generator.subschema_for::<EventEnvelope>();
    let problem = generator.subschema_for::<ProblemDetail>();
    let id = json!({
        "name": "id", "in": "path", "required": true, "description": "The session.",
        "schema": generator.subschema_for::<model::SessionId>(),
    });
    let number = json!({ "type": "integer", "minimum": 0 });
    let answer = |what: &str, kind: &str, schema: &Value| json!({ "description": what, "content": { kind: { "schema": schema } } });
    let refused = answer("Refused.", "application/problem+json", problem.as_value());
    let stream = "Server-sent events. The id of each is its sequence number; its data is one line of JSON that #/components/schemas/EventEnvelope describes. The stream ends after the session's last event.";
    let text = json!({ "type": "string" });
    json!({
        "openapi": "3.1.0",
        "info": {
            "title": "Holdgate",
            "version": model::SCHEMA_VERSION.to_string(),
            "description": "Recorded sessions, read-only, for programs on this computer. A request must be addressed to a loopback name with the service's port (421 otherwise); one with an Origin must come from a page of this service (403 otherwise).",
        },
        "paths": {
            "/": { "get": { "operationId": "page", "summary": "A page that says where things are.", "responses": {
                "200": answer("The page.", "text/html", &text), "default": refused,
            } } },
            "/v1/openapi.json": { "get": { "operationId": "openapi", "summary": "This document.", "responses": {
                "200": answer("This document.", "application/json", &json!({ "type": "object" })), "default": refused,
            } } },
            "/v1/sessions": { "get": { "operationId": "sessions", "summary": "Every closed session in short.", "responses": {
                "200": answer("The sessions.", "application/json", list.as_value()), "default": refused,
            } } },
            "/v1/sessions/{id}": { "get": {
                "operationId": "session", "summary": "One session, checked against its digests.",
                "parameters": [id],
                "responses": { "200": answer("The session.", "application/json", detail.as_value()), "default": refused },
            } },
            "/v1/sessions/{id}/events": { "get": {
                "operationId": "events", "summary": "The events of a session, all or those after one of them.",
                "parameters": [
                    id,
                    { "name": "after", "in": "query", "description": "Give the events after this sequence number.", "schema": number },
                    { "name": "Last-Event-ID", "in": "header", "description": "The same; it wins over the query.", "schema": number },
                ],
                "responses": {
                    "200": answer(stream, "text/event-stream", &text),
                    "204": { "description": "There is no event after this one." },
                    "default": refused,
                },
            } },
        },
        "components": { "schemas": generator.take_definitions(true) },
    })
}
