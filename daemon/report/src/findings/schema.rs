//! The JSON Schema of a file of rules.

use serde_json::{Map, Value, json};

use super::shape::{FILE, Holds, Key, LONGEST, MOST_POINTS, TESTS, UNIT, VERSION};

/// Names, as [`model::ChannelId`] takes them.
const NAME: &str = "^[a-z0-9][a-z0-9_-]{0,63}$";

/// The JSON Schema (draft 2020-12) of a file of rules. A TOML file is checked as the JSON value it stands
/// for. What only the reader checks: ids used once, windows the right way round, known units, and that each
/// piece of evidence carries points.
pub fn json_schema() -> Value {
    let mut root = table(FILE);
    root.insert("$schema".into(), json!("https://json-schema.org/draft/2020-12/schema"));
    root.insert("title".into(), json!("Rules of findings"));
    root.insert("$defs".into(), json!({ "test": test() }));
    Value::Object(root)
}

fn table(keys: &[Key]) -> Map<String, Value> {
    let properties: Map<String, Value> = keys.iter().map(property).collect();
    let required: Vec<&str> = keys.iter().filter(|key| key.needed).map(|key| key.name).collect();
    let mut table = Map::new();
    table.insert("type".into(), json!("object"));
    table.insert("additionalProperties".into(), json!(false));
    table.insert("properties".into(), Value::Object(properties));
    table.insert("required".into(), json!(required));
    table
}

fn property(key: &Key) -> (String, Value) {
    let mut part = part(key.holds);
    part["description"] = json!(format!("{}.", first_upper(key.words)));
    (key.name.to_string(), part)
}

fn test() -> Value {
    let one = |key: &Key| {
        let mut properties = Map::from_iter([property(key)]);
        let mut required = vec![key.name];
        if key.with_unit() {
            properties.extend([property(UNIT)]);
            required.push(UNIT.name);
        }
        json!({
            "type": "object",
            "additionalProperties": false,
            "properties": properties,
            "required": required,
        })
    };
    json!({ "oneOf": TESTS.iter().map(one).collect::<Vec<Value>>() })
}

fn part(holds: Holds) -> Value {
    let text = json!({ "type": "string", "minLength": 1, "maxLength": LONGEST });
    match holds {
        Holds::Version => json!({ "const": VERSION }),
        Holds::Name => json!({ "type": "string", "pattern": NAME }),
        Holds::Names => json!({ "type": "array", "items": { "type": "string", "pattern": NAME } }),
        Holds::Text => text,
        Holds::Texts => json!({ "type": "array", "minItems": 1, "items": text }),
        Holds::Points => json!({ "type": "number", "minimum": 0, "maximum": MOST_POINTS }),
        Holds::Number => json!({ "type": "number" }),
        Holds::Ends => {
            json!({ "type": "array", "minItems": 2, "maxItems": 2, "items": { "type": "number" } })
        }
        Holds::Unit => json!({ "type": "string", "minLength": 1, "maxLength": 40 }),
        Holds::Flag => json!({ "type": "boolean" }),
        Holds::Level => {
            json!({ "type": "string", "pattern": format!("{}(\\.(low|high))?$", NAME.trim_end_matches('$')) })
        }
        Holds::Test => json!({ "$ref": "#/$defs/test" }),
        Holds::Tables(keys) => json!({ "type": "array", "minItems": 1, "items": table(keys) }),
    }
}

fn first_upper(words: &str) -> String {
    let mut rest = words.chars();
    rest.next().map_or_else(String::new, |first| first.to_uppercase().chain(rest).collect())
}
