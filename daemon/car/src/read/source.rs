//! The text of a description as a JSON value, with the line of every key.
//!
//! Keys are addressed by JSON pointers (RFC 6901), the language in which the schema check reports.

use std::collections::BTreeMap;
use std::ops::Range;

use model::{Place, Problem, ProblemKind};
use serde_json::{Map, Value};
use toml::Spanned;
use toml::de::{DeArray, DeInteger, DeTable, DeValue};

use super::findings::shown;

/// A description is a few kilobytes; a file this large is something else.
const LONGEST_TEXT: usize = 1 << 20;

/// A TOML text, read.
#[derive(Debug)]
pub(crate) struct Source {
    file: String,
    value: Value,
    lines: BTreeMap<String, u32>,
    unusable: Vec<(String, String, String)>,
}

impl Source {
    /// Reads the text. On a mistake of syntax every such mistake comes back, one for each line: what stands
    /// after a broken line cannot be trusted, so nothing else is checked then.
    pub(crate) fn read(file: &str, text: &str) -> Result<Self, Vec<Problem>> {
        if text.len() > LONGEST_TEXT {
            let place = Place::File { file: file.to_string(), line: 0, column: 0 };
            let seen = format!("the file has {} bytes", text.len());
            return Err(vec![Problem::new(
                ProblemKind::Description,
                place,
                seen,
                "a description has at most 1 MiB: is this the right file?",
            )]);
        }
        let index = LineIndex::new(text);
        let (table, errors) = DeTable::parse_recoverable(text);
        if !errors.is_empty() {
            return Err(syntax_problems(file, text, &index, &errors));
        }
        let mut reader = Reader { index, lines: BTreeMap::new(), unusable: Vec::new() };
        let value = reader.table("", table.get_ref());
        Ok(Self { file: file.to_string(), value, lines: reader.lines, unusable: reader.unusable })
    }

    /// The whole as a JSON value.
    pub(crate) fn value(&self) -> &Value {
        &self.value
    }

    /// Values that JSON cannot carry: pointer, what was seen, the cure. They are absent from the value.
    pub(crate) fn unusable(&self) -> &[(String, String, String)] {
        &self.unusable
    }

    /// The line of a key, or of the nearest table around it that is in the text.
    pub(crate) fn line(&self, pointer: &str) -> u32 {
        let mut pointer = pointer;
        loop {
            if let Some(line) = self.lines.get(pointer) {
                return *line;
            }
            match pointer.rfind('/') {
                Some(at) => pointer = &pointer[..at],
                None => return 1,
            }
        }
    }

    /// The place of a key. Entries of lists are called by their own id or name, without one by their number,
    /// counted from 1: `channel.rpm.factor`, `channel.3.factor`.
    pub(crate) fn place(&self, pointer: &str) -> Place {
        Place::Key { file: self.file.clone(), line: self.line(pointer), key: self.dotted(pointer) }
    }

    fn dotted(&self, pointer: &str) -> String {
        let mut key = String::new();
        let mut here = Some(&self.value);
        for segment in pointer.split('/').skip(1) {
            let segment = segment.replace("~1", "/").replace("~0", "~");
            let entry = here.and_then(|value| match value {
                Value::Array(list) => segment.parse::<usize>().ok().and_then(|i| list.get(i)),
                Value::Object(map) => map.get(&segment),
                _ => None,
            });
            let label = match (here, entry) {
                (Some(Value::Array(_)), _) => own_name(entry).unwrap_or_else(|| from_one(&segment)),
                _ => segment,
            };
            if !key.is_empty() {
                key.push('.');
            }
            key.push_str(&quoted_where_needed(&label));
            here = entry;
        }
        if key.is_empty() { "the file".to_string() } else { key }
    }
}

/// The pointer of a key or entry below another.
pub(crate) fn below(pointer: &str, key: &str) -> String {
    format!("{pointer}/{}", key.replace('~', "~0").replace('/', "~1"))
}

fn own_name(entry: Option<&Value>) -> Option<String> {
    let name = ["id", "name"].iter().find_map(|key| entry?.get(key)?.as_str())?;
    model::ChannelId::new(name).ok().map(|id| id.to_string())
}

fn from_one(segment: &str) -> String {
    segment.parse::<usize>().map_or_else(|_| segment.to_string(), |i| i.saturating_add(1).to_string())
}

fn quoted_where_needed(label: &str) -> String {
    let bare =
        !label.is_empty() && label.bytes().all(|b| b.is_ascii_alphanumeric() || matches!(b, b'_' | b'-'));
    if bare { label.to_string() } else { format!("\"{}\"", shown(label)) }
}

fn syntax_problems(file: &str, text: &str, index: &LineIndex, errors: &[toml::de::Error]) -> Vec<Problem> {
    let mut problems: Vec<(u32, Problem)> = Vec::new();
    for error in errors {
        let at = error.span().map_or(0, |span| span.start);
        let (line, column) = (index.line(at), index.column(text, at));
        if problems.iter().any(|(known, _)| *known == line) {
            continue;
        }
        let place = Place::File { file: file.to_string(), line, column };
        let message = error.message().trim();
        let seen = format!("this is not TOML: {}", message.replace('\n', ", "));
        let cure = "mend this line first; the rest of the file is checked once it reads as TOML";
        problems.push((line, Problem::new(ProblemKind::Description, place, seen, cure)));
    }
    problems.sort_by_key(|(line, _)| *line);
    problems.into_iter().map(|(_, problem)| problem).collect()
}

struct LineIndex {
    starts: Vec<usize>,
}

impl LineIndex {
    fn new(text: &str) -> Self {
        let after_breaks = text.bytes().enumerate().filter(|(_, b)| *b == b'\n').map(|(i, _)| i + 1);
        Self { starts: std::iter::once(0).chain(after_breaks).collect() }
    }

    fn line(&self, at: usize) -> u32 {
        u32::try_from(self.starts.partition_point(|start| *start <= at)).unwrap_or(u32::MAX)
    }

    /// The column in characters, from 1.
    fn column(&self, text: &str, at: usize) -> u32 {
        let start = self.starts[self.starts.partition_point(|start| *start <= at) - 1];
        let before = text.as_bytes().get(start..at.min(text.len())).unwrap_or_default();
        u32::try_from(String::from_utf8_lossy(before).chars().count() + 1).unwrap_or(u32::MAX)
    }
}

struct Reader {
    index: LineIndex,
    lines: BTreeMap<String, u32>,
    unusable: Vec<(String, String, String)>,
}

impl Reader {
    fn mark(&mut self, pointer: &str, span: Range<usize>) {
        let line = self.index.line(span.start);
        self.lines.insert(pointer.to_string(), line);
    }

    fn table(&mut self, pointer: &str, table: &DeTable<'_>) -> Value {
        let mut map = Map::new();
        for (key, value) in table.iter() {
            let pointer = below(pointer, key.get_ref());
            self.mark(&pointer, key.span());
            if let Some(value) = self.value(&pointer, value) {
                map.insert(key.get_ref().to_string(), value);
            }
        }
        Value::Object(map)
    }

    fn array(&mut self, pointer: &str, array: &DeArray<'_>) -> Option<Value> {
        let mut list = Vec::with_capacity(array.len());
        for (i, entry) in array.iter().enumerate() {
            let pointer = format!("{pointer}/{i}");
            self.mark(&pointer, entry.span());
            list.push(self.value(&pointer, entry));
        }
        // A list with a hole would shift its later entries, so it goes as a whole.
        list.into_iter().collect::<Option<Vec<Value>>>().map(Value::Array)
    }

    fn value(&mut self, pointer: &str, value: &Spanned<DeValue<'_>>) -> Option<Value> {
        let unusable = match value.get_ref() {
            DeValue::String(text) => return Some(Value::from(text.as_ref())),
            DeValue::Boolean(b) => return Some(Value::from(*b)),
            DeValue::Array(array) => return self.array(pointer, array),
            DeValue::Table(table) => return Some(self.table(pointer, table)),
            DeValue::Integer(number) => match integer(number) {
                Some(number) => return Some(Value::from(number)),
                None => (
                    format!("the number {} is too large", shown(&number.to_string())),
                    "give a smaller number",
                ),
            },
            DeValue::Float(number) => match number.as_str().parse::<f64>().ok().and_then(float) {
                Some(number) => return Some(number),
                None => (format!("{} is not a finite number", shown(number.as_str())), "give a plain number"),
            },
            DeValue::Datetime(_) => {
                ("this is a date or time".to_string(), "no key of a description takes one")
            }
        };
        self.unusable.push((pointer.to_string(), unusable.0, unusable.1.to_string()));
        None
    }
}

fn integer(number: &DeInteger<'_>) -> Option<i64> {
    i64::from_str_radix(number.as_str(), number.radix()).ok()
}

/// A finite number; a whole one becomes an integer, because JSON Schema counts 1.0 among the integers.
fn float(number: f64) -> Option<Value> {
    const EXACT: f64 = 9_007_199_254_740_992.0;
    if number.fract() == 0.0 && number.abs() < EXACT {
        return Some(Value::from(number as i64));
    }
    serde_json::Number::from_f64(number).map(Value::Number)
}

#[cfg(test)]
mod tests {
    use serde_json::json;

    use super::*;

    #[test]
    fn every_key_knows_its_line_and_its_dotted_name() {
        let text = "a = 0x2A\n\n[[channel]]\nid = \"rpm\"\nat = 1.0\n[[channel]]\nx = { y = 1 }\n";
        let source = Source::read("f.toml", text).unwrap();
        assert_eq!(source.value()["a"], json!(42));
        assert_eq!(source.value()["channel"][0]["at"], json!(1));
        for (pointer, place) in [
            ("/a", "f.toml:1: a"),
            ("/channel/0", "f.toml:3: channel.rpm"),
            ("/channel/0/at", "f.toml:5: channel.rpm.at"),
            ("/channel/0/unit", "f.toml:3: channel.rpm.unit"),
            ("/channel/1/x/y", "f.toml:7: channel.2.x.y"),
            ("/nowhere", "f.toml:1: nowhere"),
        ] {
            assert_eq!(source.place(pointer).to_string(), place);
        }
    }

    #[test]
    fn every_broken_line_is_named_with_its_column() {
        let problems = Source::read("f.toml", "a = \nb = 1\nc = [1,,2]\nb = 2\n").unwrap_err();
        let places: Vec<String> = problems.iter().map(|p| p.place.to_string()).collect();
        assert_eq!(places, ["f.toml:1:5", "f.toml:3:8", "f.toml:4:1"]);
        assert!(problems[2].seen.contains("duplicate key"), "{}", problems[2]);
    }

    #[test]
    fn what_json_cannot_carry_is_kept_aside() {
        let source =
            Source::read("f", "a = nan\nb = 99999999999999999999\nc = 2026-01-01\nd = [inf]\n").unwrap();
        let pointers: Vec<&str> = source.unusable().iter().map(|u| u.0.as_str()).collect();
        assert_eq!(pointers, ["/a", "/b", "/c", "/d/0"]);
        assert_eq!(*source.value(), json!({}));
    }

    #[test]
    fn a_deep_nest_and_a_huge_text_are_refused_not_followed() {
        assert!(Source::read("f", &format!("a = {}", "[".repeat(100_000))).is_err());
        assert!(Source::read("f", &format!("a = {}{}", "[".repeat(5_000), "]".repeat(5_000))).is_err());
        let problems = Source::read("f", &"#".repeat(LONGEST_TEXT + 1)).unwrap_err();
        assert!(problems[0].cure.contains("1 MiB"));
    }
}
