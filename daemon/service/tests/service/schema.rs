//! The API's document beside what is really served.

use holdgate_service::openapi;
use serde_json::{Value, json};

use crate::world::{World, remarks};

/// Checks a value against one of the document's schemas.
fn check(name: &str, value: &Value) {
    let mut schema = openapi();
    schema["$ref"] = json!(format!("#/components/schemas/{name}"));
    let validator = jsonschema::validator_for(&schema).unwrap();
    let errors: Vec<String> = validator.iter_errors(value).map(|e| e.to_string()).collect();
    assert!(errors.is_empty(), "{name}: {errors:?} in {value}");
    assert!(!validator.is_valid(&json!({ "schema": "x" })), "{name} allows anything");
}

#[tokio::test]
async fn answers_are_as_the_document_says() {
    let world = World::new();
    check("SessionList", &world.get("/v1/sessions").await.json());
    check("SessionDetail", &world.get("/v1/sessions/first").await.json());
    check("ProblemDetail", &world.get("/v1/sessions/absent").await.problem(404));
    for event in remarks("first", 1..=2) {
        check("EventEnvelope", &serde_json::to_value(event).unwrap());
    }
    assert_eq!(world.get("/v1/openapi.json").await.json(), openapi());
}

#[tokio::test]
async fn every_path_of_the_document_is_served() {
    let world = World::new();
    let document = openapi();
    let paths = document["paths"].as_object().unwrap();
    assert_eq!(paths.len(), 5);
    for path in paths.keys() {
        let answer = world.get(&path.replace("{id}", "first")).await;
        assert_eq!(answer.status, 200, "{path}");
        let kind = answer.header("content-type").split(';').next().unwrap();
        let told = &document["paths"][path]["get"]["responses"]["200"]["content"];
        assert!(told.get(kind).is_some(), "{path}: {kind}");
    }
}
