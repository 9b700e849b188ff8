//! JSON Schemas of events, commands, replies, sessions and their notes, made from their types, and of the rules of
//! findings.

use model::{CommandEnvelope, EventEnvelope, Reply, SCHEMA_VERSION};
use schemars::generate::{SchemaGenerator, SchemaSettings};
use serde_json::{Map, Value, json};

/// The JSON Schema (draft 2020-12) of one event as it is written: a line of `--json`, column `json` of the
/// table of events.
pub fn events_schema_text() -> String {
    let mut generator = SchemaSettings::draft2020_12().for_serialize().into_generator();
    let event = generator.subschema_for::<EventEnvelope>();
    root(generator, "Events of a station", &[event.to_value()])
}

/// The JSON Schema (draft 2020-12) of a command as it is read, and of the one reply that each gets.
pub fn commands_schema_text() -> String {
    let mut generator = SchemaSettings::draft2020_12().into_generator();
    let command = generator.subschema_for::<CommandEnvelope>();
    let reply = generator.subschema_for::<Reply>();
    root(generator, "Commands to a station, and their replies", &[command.to_value(), reply.to_value()])
}

/// The JSON Schema (draft 2020-12) of a file of rules of findings.
pub fn finding_rules_schema_text() -> String {
    text(report::findings::json_schema())
}

/// The JSON Schema (draft 2020-12) of `session.json`.
pub fn session_schema_text() -> String {
    text(record::session_schema())
}

/// The JSON Schema (draft 2020-12) of `notes.json`.
pub fn notes_schema_text() -> String {
    text(record::notes_schema())
}

fn root(mut generator: SchemaGenerator, title: &str, kinds: &[Value]) -> String {
    let root = json!({
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": title,
        "description": format!("Version {SCHEMA_VERSION} of the vocabulary."),
        "anyOf": kinds,
        "$defs": generator.take_definitions(true),
    });
    text(root)
}

/// Sorted keys, two spaces, a last line break.
fn text(value: Value) -> String {
    format!("{:#}\n", sorted(value))
}

/// Sorted whatever features of `serde_json` another package turns on.
fn sorted(value: Value) -> Value {
    match value {
        Value::Object(map) => {
            let mut entries: Vec<(String, Value)> = map.into_iter().collect();
            entries.sort_by(|a, b| a.0.cmp(&b.0));
            Value::Object(entries.into_iter().map(|(key, value)| (key, sorted(value))).collect::<Map<_, _>>())
        }
        Value::Array(list) => Value::Array(list.into_iter().map(sorted).collect()),
        other => other,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn keys_are_sorted_at_every_depth() {
        let value = json!({ "b": [{ "d": 1, "c": 2 }], "a": { "z": 1, "y": 2 } });
        let compact = sorted(value).to_string();
        assert_eq!(compact, r#"{"a":{"y":2,"z":1},"b":[{"c":2,"d":1}]}"#);
    }

    #[test]
    fn every_reference_leads_somewhere_and_every_definition_is_used() {
        for text in [
            events_schema_text(),
            commands_schema_text(),
            finding_rules_schema_text(),
            session_schema_text(),
            notes_schema_text(),
        ] {
            let root: Value = serde_json::from_str(&text).expect("a schema is JSON");
            let mut used = std::collections::BTreeSet::new();
            references(&root, &mut used);
            for reference in &used {
                let pointer = reference.strip_prefix('#').expect("references stay in the file");
                assert!(root.pointer(pointer).is_some(), "{reference} leads nowhere");
            }
            let definitions = root["$defs"].as_object().expect("there are definitions");
            for name in definitions.keys() {
                assert!(used.contains(&format!("#/$defs/{name}")), "{name} is defined and not used");
            }
        }
    }

    fn references(value: &Value, into: &mut std::collections::BTreeSet<String>) {
        match value {
            Value::Object(map) => {
                if let Some(Value::String(reference)) = map.get("$ref") {
                    into.insert(reference.clone());
                }
                map.values().for_each(|value| references(value, into));
            }
            Value::Array(list) => list.iter().for_each(|value| references(value, into)),
            _ => {}
        }
    }
}
