//! Rust sources with comments and literals blanked out, so that a search finds code and nothing else.

/// The text with every character of comments, strings and character literals replaced by spaces. Length in
/// bytes and line breaks stay, so that a place found in the result is the same place in the text.
pub fn blank(text: &str) -> String {
    let mut out = Vec::with_capacity(text.len());
    let mut rest = text.as_bytes();
    let mut before = b' ';
    while let Some(first) = rest.first() {
        let literal = if is_word(before) { None } else { prefixed_literal(rest) };
        let length = comment(rest).or(literal).or_else(|| string(rest)).or_else(|| character(rest));
        match length {
            Some(length) => {
                out.extend(rest[..length].iter().map(|b| if *b == b'\n' { b'\n' } else { b' ' }));
                rest = &rest[length..];
                before = b' ';
            }
            None => {
                out.push(*first);
                before = *first;
                rest = &rest[1..];
            }
        }
    }
    String::from_utf8(out).expect("only whole literals and comments were replaced, by ASCII")
}

fn is_word(byte: u8) -> bool {
    byte.is_ascii_alphanumeric() || byte == b'_' || !byte.is_ascii()
}

/// The length of a comment at the start; block comments nest.
fn comment(rest: &[u8]) -> Option<usize> {
    if rest.starts_with(b"//") {
        return Some(rest.iter().position(|b| *b == b'\n').unwrap_or(rest.len()));
    }
    if !rest.starts_with(b"/*") {
        return None;
    }
    let mut depth = 0;
    let mut at = 0;
    while at < rest.len() {
        if rest[at..].starts_with(b"/*") {
            depth += 1;
            at += 2;
        } else if rest[at..].starts_with(b"*/") {
            depth -= 1;
            at += 2;
            if depth == 0 {
                return Some(at);
            }
        } else {
            at += 1;
        }
    }
    Some(rest.len())
}

/// The length of a literal with a prefix (`r`, `b`, `br`, `c`, `cr`) at the start.
fn prefixed_literal(rest: &[u8]) -> Option<usize> {
    let prefix = [&b"br"[..], b"cr", b"r", b"b", b"c"].into_iter().find(|prefix| rest.starts_with(prefix))?;
    let after = &rest[prefix.len()..];
    let length = if prefix.ends_with(b"r") { raw_string(after) } else { string(after).or(character(after)) };
    length.map(|length| prefix.len() + length)
}

/// The length of a raw string at the start, from its first `#` or quote.
fn raw_string(rest: &[u8]) -> Option<usize> {
    let marks = rest.iter().take_while(|b| **b == b'#').count();
    if rest.get(marks) != Some(&b'"') {
        return None;
    }
    let mut end = vec![b'"'];
    end.resize(marks + 1, b'#');
    let body = &rest[marks + 1..];
    let length = body.windows(end.len()).position(|window| window == end);
    Some(length.map_or(rest.len(), |length| marks + 1 + length + end.len()))
}

/// The length of a string at the start.
fn string(rest: &[u8]) -> Option<usize> {
    if rest.first() != Some(&b'"') {
        return None;
    }
    let mut at = 1;
    while at < rest.len() {
        match rest[at] {
            b'\\' => at += 2,
            b'"' => return Some(at + 1),
            _ => at += 1,
        }
    }
    Some(rest.len())
}

/// The length of a character literal at the start; a lifetime is none.
fn character(rest: &[u8]) -> Option<usize> {
    if rest.first() != Some(&b'\'') {
        return None;
    }
    if rest.get(1) == Some(&b'\\') {
        let end = rest.iter().skip(3).position(|b| *b == b'\'')?;
        return Some(end + 4);
    }
    // One character of one to four bytes, then the closing quote.
    let first = *rest.get(1)?;
    let width = match first {
        0..=0x7f => 1,
        0x80..=0xdf => 2,
        0xe0..=0xef => 3,
        _ => 4,
    };
    (rest.get(1 + width) == Some(&b'\'')).then_some(width + 2)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn comments_and_literals_are_blank_and_the_rest_stays_in_place() {
        let cases = [
            ("a // b\nc", "a     \nc"),
            ("a /* b /* c */ d */ e", "a                   e"),
            (r#"x("a\"b", 'c', '\'', '\u{7f}')"#, r"x(      ,    ,     ,         )"),
            ("f::<'a>(b'x', r#\"q\"q\"#, br\"z\", 'ü')", "f::<'a>(    ,         ,      ,     )"),
            ("for_r\"x\"", "for_r   "),
            ("\"// no comment\" y", "                y"),
        ];
        for (text, expected) in cases {
            assert_eq!(blank(text), expected, "{text}");
        }
    }

    #[test]
    fn what_never_ends_is_blank_to_the_end() {
        for text in ["/* x", "\"x", "r#\"x\"", "'\\", "b\"\\", "// ü"] {
            let blanked = blank(text);
            assert_eq!(blanked.len(), text.len(), "{text}");
        }
    }
}
