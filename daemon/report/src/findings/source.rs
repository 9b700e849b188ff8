//! The text of a file of rules, read to its end, with the line of everything in it.

use std::borrow::Cow;

use model::{Place, Problem, ProblemKind};
use toml::de::{DeTable, DeValue, Error};

/// Rules are a few kilobytes; a file this large is something else.
const LONGEST_TEXT: usize = 1 << 20;

/// Finds the line of a place in a text.
#[derive(Debug)]
pub(super) struct Lines {
    starts: Vec<usize>,
}

impl Lines {
    fn new(text: &str) -> Self {
        let after_breaks = text.bytes().enumerate().filter(|(_, b)| *b == b'\n').map(|(i, _)| i + 1);
        Self { starts: std::iter::once(0).chain(after_breaks).collect() }
    }

    /// The line of a byte, from 1.
    pub(super) fn line(&self, at: usize) -> u32 {
        u32::try_from(self.starts.partition_point(|start| *start <= at)).unwrap_or(u32::MAX)
    }

    /// The column of a byte in characters, from 1.
    fn column(&self, text: &str, at: usize) -> u32 {
        let start = self.starts[self.starts.partition_point(|start| *start <= at) - 1];
        let before = text.as_bytes().get(start..at.min(text.len())).unwrap_or_default();
        u32::try_from(String::from_utf8_lossy(before).chars().count() + 1).unwrap_or(u32::MAX)
    }
}

/// Reads the text. On a mistake of syntax every such mistake comes back, one for each line: what stands
/// after a broken line cannot be trusted, so nothing else is checked then.
pub(super) fn parse<'t>(file: &str, text: &'t str) -> Result<(DeTable<'t>, Lines), Vec<Problem>> {
    if text.len() > LONGEST_TEXT {
        let place = Place::File { file: file.to_string(), line: 0, column: 0 };
        let seen = format!("the file has {} bytes", text.len());
        let cure = "a file of rules has at most 1 MiB: is this the right file?";
        return Err(vec![Problem::new(ProblemKind::Rules, place, seen, cure)]);
    }
    let lines = Lines::new(text);
    let (table, errors) = DeTable::parse_recoverable(text);
    if errors.is_empty() {
        Ok((table.into_inner(), lines))
    } else {
        Err(syntax_problems(file, text, &lines, &errors))
    }
}

fn syntax_problems(file: &str, text: &str, lines: &Lines, errors: &[Error]) -> Vec<Problem> {
    let mut problems: Vec<(u32, Problem)> = Vec::new();
    for error in errors {
        let at = error.span().map_or(0, |span| span.start);
        let (line, column) = (lines.line(at), lines.column(text, at));
        if problems.iter().any(|(known, _)| *known == line) {
            continue;
        }
        let place = Place::File { file: file.to_string(), line, column };
        let seen = format!("this is not TOML: {}", error.message().trim().replace('\n', ", "));
        let cure = "mend this line first; the rest of the file is checked once it reads as TOML";
        problems.push((line, Problem::new(ProblemKind::Rules, place, seen, cure)));
    }
    problems.sort_by_key(|(line, _)| *line);
    problems.into_iter().map(|(_, problem)| problem).collect()
}

/// A number of TOML, whole or not; none when it is not finite.
pub(super) fn number(value: &DeValue<'_>) -> Option<f64> {
    let number = match value {
        DeValue::Integer(whole) => i64::from_str_radix(whole.as_str(), whole.radix()).ok()? as f64,
        DeValue::Float(number) => number.as_str().parse().ok()?,
        _ => return None,
    };
    number.is_finite().then_some(number)
}

/// What a value is, to stand after "this is".
pub(super) fn described(value: &DeValue<'_>) -> String {
    match value {
        DeValue::String(text) if text.is_empty() => "an empty text".into(),
        DeValue::String(text) => format!("the text \"{}\"", shown(text)),
        DeValue::Boolean(b) => b.to_string(),
        DeValue::Integer(number) => format!("the number {}", shown(&number.to_string())),
        DeValue::Float(number) => format!("the number {}", shown(number.as_str())),
        DeValue::Datetime(_) => "a date or time".into(),
        DeValue::Array(list) if list.is_empty() => "an empty list".into(),
        DeValue::Array(list)
            if list.len() <= 3 && list.iter().all(|entry| number(entry.get_ref()).is_some()) =>
        {
            let numbers: Vec<String> =
                list.iter().filter_map(|entry| number(entry.get_ref())).map(|x| x.to_string()).collect();
            format!("the list [{}]", numbers.join(", "))
        }
        DeValue::Array(list) if list.len() == 1 => "a list of 1 entry".into(),
        DeValue::Array(list) => format!("a list of {} entries", list.len()),
        DeValue::Table(_) => "a table".into(),
    }
}

/// A piece of somebody's text, short and without control characters, for use in a message.
pub(super) fn shown(text: &str) -> Cow<'_, str> {
    const MOST: usize = 60;
    let plain =
        text.len() <= MOST && text.bytes().all(|b| matches!(b, b' '..=b'~') && !b"\"'\\".contains(&b));
    if plain {
        return Cow::Borrowed(text);
    }
    let mut short: String = text.chars().take(MOST).flat_map(char::escape_debug).collect();
    if text.chars().nth(MOST).is_some() {
        short.push('…');
    }
    Cow::Owned(short)
}
