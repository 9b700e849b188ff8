//! The JSON Schema of a description, made from the raw types.

use schemars::Schema;
use schemars::generate::SchemaSettings;
use schemars::transform::RecursiveTransform;
use serde_json::{Map, Value};

use crate::raw::RawDescription;

/// The JSON Schema (draft 2020-12) of a description. A TOML file is checked as the JSON value it stands for.
pub fn json_schema() -> Value {
    let settings = SchemaSettings::draft2020_12().with_transform(RecursiveTransform(plain_toml));
    sorted(settings.into_generator().into_root_schema_for::<RawDescription>().to_value())
}

/// The same as it stands in `schemas/car-description.schema.json`: sorted keys, two spaces, a last line break.
pub fn json_schema_text() -> String {
    format!("{:#}\n", json_schema())
}

/// TOML has no null, and the names of Rust's number types mean nothing to a reader of the schema.
fn plain_toml(schema: &mut Schema) {
    schema.remove("format");
    if let Some(Value::Array(types)) = schema.get_mut("type") {
        types.retain(|kind| kind != "null");
        if let [only] = types.as_slice() {
            let only = only.clone();
            schema.insert("type".into(), only);
        }
    }
    let Some(Value::Array(choices)) = schema.get_mut("anyOf") else { return };
    choices.retain(|choice| choice.get("type").is_none_or(|kind| kind != "null"));
    if let [only] = choices.as_slice()
        && let Value::Object(only) = only.clone()
    {
        schema.remove("anyOf");
        for (key, value) in only {
            if schema.get(&key).is_none() {
                schema.insert(key, value);
            }
        }
    }
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

/// The part of the schema that a key is checked against, references followed.
pub(crate) fn part_for<'s>(root: &'s Value, pointer: &str) -> Option<&'s Value> {
    pointer.split('/').skip(1).try_fold(root, |part, segment| {
        let part = followed(root, part);
        let segment = segment.replace("~1", "/").replace("~0", "~");
        let property = part.get("properties").and_then(|known| known.get(&segment));
        property
            .or_else(|| part.get("items"))
            .or_else(|| part.get("additionalProperties").filter(|p| p.is_object()))
    })
}

/// The part itself, or what it refers to.
pub(crate) fn followed<'s>(root: &'s Value, part: &'s Value) -> &'s Value {
    let target = part.get("$ref").and_then(Value::as_str).and_then(|r| r.strip_prefix('#'));
    target.and_then(|pointer| root.pointer(pointer)).unwrap_or(part)
}

#[cfg(test)]
mod tests {
    use std::path::Path;

    use super::*;

    /// The committed file is what editors and people see, so it must say what the code does. Set
    /// `UPDATE_SCHEMAS=1` to write it anew.
    #[test]
    fn the_committed_schema_is_the_one_the_code_makes() {
        let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("../../schemas/car-description.schema.json");
        if std::env::var_os("UPDATE_SCHEMAS").is_some() {
            std::fs::write(&path, json_schema_text()).unwrap();
        }
        let committed = std::fs::read_to_string(&path).unwrap_or_default();
        assert!(
            committed == json_schema_text(),
            "schemas/car-description.schema.json is not what the code makes: run \
             `UPDATE_SCHEMAS=1 cargo test --release -p holdgate-car committed_schema` and commit the file"
        );
    }

    #[test]
    fn the_schema_is_a_schema_knows_every_key_and_nothing_may_be_null() {
        let schema = json_schema();
        assert!(jsonschema::meta::is_valid(&schema));
        let text = schema.to_string();
        assert!(!text.contains("\"null\"") && !text.contains("\"format\""), "{text}");
        for (pointer, kind) in [
            ("/schema", "integer"),
            ("/link/timing/p3_min", "number"),
            ("/channel/3/plausible/0", "number"),
            ("/output/0/confirm/channel", "string"),
            ("/setup/anything/low", "number"),
        ] {
            let part = followed(&schema, part_for(&schema, pointer).unwrap());
            assert_eq!(part["type"], kind, "{pointer}");
        }
    }
}
