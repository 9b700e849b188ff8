//! The check against the JSON Schema, told in plain words.

use std::sync::LazyLock;

use jsonschema::error::ValidationErrorKind;
use jsonschema::{ValidationError, Validator};
use serde_json::Value;

use super::expected::{described, expected, sentence, words};
use super::findings::{Findings, shown};
use super::schema::{followed, json_schema, part_for};
use super::source::below;
use model::nearest;

static SCHEMA: LazyLock<Value> = LazyLock::new(json_schema);
static VALIDATOR: LazyLock<Validator> = LazyLock::new(|| {
    jsonschema::validator_for(&SCHEMA).expect("the schema made from our own types is a schema")
});

/// Tells every mistake of structure and gives back the value without the keys that were told, so that the
/// rest can be checked too.
pub(crate) fn check(findings: &mut Findings<'_>) -> Value {
    let source = findings.source();
    for (pointer, seen, cure) in source.unusable() {
        findings.problem(pointer, seen, cure);
        findings.mark_broken(&member(source.value(), pointer));
    }
    let mut pruned = source.value().clone();
    let errors: Vec<ValidationError<'_>> = VALIDATOR.iter_errors(source.value()).collect();
    // Unknown keys first: a key that stands for a misspelt one explains why that one is missing.
    for error in &errors {
        if let ValidationErrorKind::AdditionalProperties { unexpected } = error.kind() {
            let pointer = error.instance_path().as_str();
            unexpected.iter().for_each(|key| unknown_key(findings, pointer, key, &mut pruned));
        }
    }
    for error in &errors {
        let pointer = error.instance_path().as_str();
        match error.kind() {
            ValidationErrorKind::AdditionalProperties { .. } => {}
            ValidationErrorKind::Required { property } => {
                missing_key(findings, pointer, property.as_str().unwrap_or_default());
            }
            _ => wrong_value(findings, error, &mut pruned),
        }
    }
    pruned
}

fn unknown_key(findings: &mut Findings<'_>, table: &str, key: &str, pruned: &mut Value) {
    let value = findings.source().value();
    let known: Vec<&str> = part_for(&SCHEMA, table)
        .and_then(|part| followed(&SCHEMA, part).get("properties")?.as_object())
        .map(|known| known.keys().map(String::as_str).collect())
        .unwrap_or_default();
    let absent = |key: &&str| value.pointer(&below(table, key)).is_none();
    // A key that is already there is hardly what was meant, unless nothing else comes near.
    let meant =
        nearest(key, known.iter().copied().filter(absent)).or_else(|| nearest(key, known.iter().copied()));
    let cure = match meant {
        Some(meant) => format!("did you mean '{meant}'?"),
        None => format!("the keys known here are {}", known.join(", ")),
    };
    let pointer = below(table, key);
    findings.problem(&pointer, format!("'{}' is not a known key", shown(key)), cure);
    findings.mark_broken(&pointer);
    prune(pruned, &pointer);
    if let Some(meant) = meant.filter(absent) {
        findings.mark_broken(&below(table, meant));
    }
}

fn missing_key(findings: &mut Findings<'_>, table: &str, key: &str) {
    let pointer = below(table, key);
    if findings.is_broken(&pointer) {
        return;
    }
    let part = part_for(&SCHEMA, &pointer);
    let is_table = part.is_some_and(|part| followed(&SCHEMA, part).get("properties").is_some());
    let is_tables =
        part.is_some_and(|part| part.get("items").is_some_and(|items| items.get("$ref").is_some()));
    let what = part.and_then(sentence).unwrap_or_default();
    let cure = match (is_table, is_tables) {
        (true, _) => format!("add the table [{key}]: {what}"),
        (_, true) => format!("add a table [[{key}]] for each: {what}"),
        _ => format!("add {key}: {what}"),
    };
    findings.problem(&pointer, format!("'{key}' is missing"), cure);
    findings.mark_broken(&pointer);
}

fn wrong_value(findings: &mut Findings<'_>, error: &ValidationError<'_>, pruned: &mut Value) {
    let pointer = error.instance_path().as_str();
    if findings.is_broken(pointer) {
        return;
    }
    let Some(part) = part_for(&SCHEMA, pointer) else {
        // A key that is not in the schema is already told as unknown.
        return;
    };
    let value = error.instance();
    let meant = value.as_str().and_then(|text| nearest(text, words(&SCHEMA, part)));
    let cure = match meant {
        Some(meant) => format!("did you mean \"{meant}\"? Give {}", expected(&SCHEMA, part)),
        None => format!("give {}", expected(&SCHEMA, part)),
    };
    findings.problem(pointer, format!("this is {}", described(value)), cure);
    let member = member(findings.source().value(), pointer);
    findings.mark_broken(&member);
    prune(pruned, &member);
}

/// The nearest thing around a value that is a key of a table: entries of lists cannot be taken out alone,
/// since that would move the others.
fn member(value: &Value, pointer: &str) -> String {
    let mut pointer = pointer;
    while let Some(at) = pointer.rfind('/') {
        if value.pointer(&pointer[..at]).is_some_and(Value::is_object) {
            break;
        }
        pointer = &pointer[..at];
    }
    pointer.to_string()
}

fn prune(value: &mut Value, pointer: &str) {
    let Some(at) = pointer.rfind('/') else { return };
    let key = pointer[at + 1..].replace("~1", "/").replace("~0", "~");
    if let Some(Value::Object(table)) = value.pointer_mut(&pointer[..at]) {
        table.remove(&key);
    }
}
