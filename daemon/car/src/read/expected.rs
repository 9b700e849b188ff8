//! Plain words for what a schema asks and for what a value is.

use serde_json::Value;

use super::findings::shown;
use super::schema::followed;

/// The fixed words that a part of the schema allows, if it allows only words.
pub(crate) fn words<'s>(root: &'s Value, part: &'s Value) -> Vec<&'s str> {
    let part = followed(root, part);
    let listed = |key: &str| part.get(key).and_then(Value::as_array).into_iter().flatten();
    let mut words: Vec<&str> = listed("enum").filter_map(Value::as_str).collect();
    words.extend(part.get("const").and_then(Value::as_str));
    for choice in listed("oneOf").chain(listed("anyOf")) {
        words.extend(self::words(root, choice));
    }
    words
}

/// What a part of the schema asks for, to stand after "give".
pub(crate) fn expected(root: &Value, part: &Value) -> String {
    let part = followed(root, part);
    if let Some(choices) = part.get("anyOf").and_then(Value::as_array) {
        let choices: Vec<String> = choices.iter().map(|choice| expected(root, choice)).collect();
        return choices.join(", or ");
    }
    match words(root, part).as_slice() {
        [] => {}
        [only] => return format!("the word \"{only}\""),
        several => return format!("one of \"{}\"", several.join("\", \"")),
    }
    match part.get("type").and_then(Value::as_str) {
        Some("integer") => format!("a whole number{}", limits(part, "minimum", "maximum")),
        Some("number") => format!("a number{}", limits(part, "minimum", "maximum")),
        Some("boolean") => "true or false".to_string(),
        Some("string") if part.get("pattern").is_some() => {
            "a name of 1 to 64 of a-z, 0-9, '_' and '-', starting with a letter or digit".to_string()
        }
        Some("string") => match limits(part, "minLength", "maxLength") {
            range if range.is_empty() => "a text".to_string(),
            range => format!("a text with a length{range}"),
        },
        Some("array") => list(root, part),
        _ => "a table".to_string(),
    }
}

fn list(root: &Value, part: &Value) -> String {
    let each =
        part.get("items").map_or_else(String::new, |items| format!(", each {}", expected(root, items)));
    match (part.get("minItems"), part.get("maxItems")) {
        (Some(least), Some(most)) if least == most => format!("a list of {least}{each}"),
        _ => format!("a list with a length{}{each}", limits(part, "minItems", "maxItems")),
    }
}

fn limits(part: &Value, low: &str, high: &str) -> String {
    let number = |key: &str| part.get(key).and_then(Value::as_f64);
    match (number(low), number(high)) {
        (Some(low), Some(high)) if low == high => format!(": {low}"),
        (Some(low), Some(high)) => format!(" from {low} to {high}"),
        (Some(low), None) => format!(" from {low}"),
        (None, Some(high)) => format!(" up to {high}"),
        (None, None) => String::new(),
    }
}

/// What a value is, to stand after "this is".
pub(crate) fn described(value: &Value) -> String {
    match value {
        Value::Null => "nothing".to_string(),
        Value::Bool(b) => format!("{b}"),
        Value::Number(number) => format!("the number {number}"),
        Value::String(text) if text.is_empty() => "an empty text".to_string(),
        Value::String(text) => match text.chars().count() {
            length @ 61.. => format!("the text \"{}\", {length} characters long", shown(text)),
            _ => format!("the text \"{}\"", shown(text)),
        },
        Value::Array(list) => match list.len() {
            1 => "a list of 1 entry".to_string(),
            length => format!("a list of {length} entries"),
        },
        Value::Object(_) => "a table".to_string(),
    }
}

/// What a part of the schema says about itself.
pub(crate) fn sentence(part: &Value) -> Option<String> {
    let text = part.get("description")?.as_str()?.replace('\n', " ");
    Some(text.trim_end_matches('.').to_string())
}

#[cfg(test)]
mod tests {
    use serde_json::json;

    use super::*;

    #[test]
    fn asks_in_plain_words() {
        for (part, asks) in [
            (json!({"type": "integer", "minimum": 0, "maximum": 7}), "a whole number from 0 to 7"),
            (json!({"type": "integer", "minimum": 1, "maximum": 1}), "a whole number: 1"),
            (json!({"oneOf": [{"const": "up"}, {"const": "down"}]}), "one of \"up\", \"down\""),
            (
                json!({"type": "array", "minItems": 2, "maxItems": 2, "items": {"type": "number"}}),
                "a list of 2, each a number",
            ),
            (json!({"type": "string", "minLength": 1, "maxLength": 9}), "a text with a length from 1 to 9"),
            (
                json!({"anyOf": [{"type": "boolean"}, {"const": "none"}]}),
                "true or false, or the word \"none\"",
            ),
        ] {
            assert_eq!(expected(&json!({}), &part), asks);
        }
    }
}
