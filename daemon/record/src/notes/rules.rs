//! What tags and notes may be.

use model::Problem;

use super::Notes;
use crate::problem::argument;

/// The longest key of a tag, in bytes.
pub(super) const LONGEST_KEY: usize = 64;
/// The longest value of a tag, in bytes.
pub(super) const LONGEST_VALUE: usize = 1 << 10;
/// The most tags of a session.
pub(super) const MOST_TAGS: usize = 100;
/// The longest note, in bytes.
pub(super) const LONGEST_NOTE: usize = 4 << 10;
/// The most notes of a session.
pub(super) const MOST_NOTES: usize = 1_000;

/// Refuses a tag that no reader could use: an empty key, one with '=', control characters, or too long a text.
pub fn check_tag(key: &str, value: &str) -> Result<(), Problem> {
    let shown = shorten(key);
    let refuse = |seen: String, cure: &str| Err(argument("tag", seen, cure));
    if key.trim().is_empty() {
        return refuse("a tag has no key".into(), "write for example fuel=e10");
    }
    if key.trim() != key {
        return refuse(format!("the key '{shown}' begins or ends with a space"), "leave the space out");
    }
    if key.contains('=') {
        return refuse(format!("the key '{shown}' holds '='"), "use a key without '='");
    }
    if key.len() > LONGEST_KEY {
        let seen = format!("the key '{shown}' has {} bytes", key.len());
        return refuse(seen, &format!("use at most {LONGEST_KEY}"));
    }
    if value.len() > LONGEST_VALUE {
        let seen = format!("the value of '{shown}' has {} bytes", value.len());
        return refuse(seen, &format!("use at most {LONGEST_VALUE}, or write it as a note"));
    }
    if key.chars().chain(value.chars()).any(char::is_control) {
        let seen = format!("the tag '{shown}' holds a control character");
        return refuse(seen, "use one line of plain text");
    }
    Ok(())
}

/// Refuses a note that says nothing, is too long, or holds control characters but line breaks and tabs.
pub fn check_note(text: &str) -> Result<(), Problem> {
    if text.trim().is_empty() {
        return Err(argument("note", "it says nothing", "write what should be remembered"));
    }
    if text.len() > LONGEST_NOTE {
        let seen = format!("it has {} bytes", text.len());
        return Err(argument("note", seen, format!("use at most {LONGEST_NOTE}, or several notes")));
    }
    if text.chars().any(|c| c.is_control() && !matches!(c, '\n' | '\t')) {
        let seen = format!("'{}' holds a control character", shorten(text));
        return Err(argument("note", seen, "use plain text"));
    }
    Ok(())
}

/// Refuses notes of which any part may not be.
pub(super) fn check(notes: &Notes) -> Result<(), Problem> {
    if notes.tags.len() > MOST_TAGS {
        let seen = format!("there are {} tags", notes.tags.len());
        return Err(argument("tag", seen, format!("keep at most {MOST_TAGS}")));
    }
    if notes.notes.len() > MOST_NOTES {
        let seen = format!("there are {} notes", notes.notes.len());
        return Err(argument("note", seen, format!("keep at most {MOST_NOTES}")));
    }
    for (key, value) in &notes.tags {
        check_tag(key, value.as_deref().unwrap_or_default())?;
    }
    notes.notes.iter().try_for_each(|note| check_note(&note.text))
}

fn shorten(text: &str) -> String {
    text.chars().take(40).collect::<String>().escape_debug().to_string()
}
