//! Numbers in digits that can be read from the engine bay: five rows high, drawn with blocks.

/// Rows of one digit.
pub const ROWS: usize = 5;

/// The strokes of a character, one row each; none for a character that has no big form.
fn strokes(c: char) -> Option<[&'static str; ROWS]> {
    Some(match c {
        '0' => ["####", "#  #", "#  #", "#  #", "####"],
        '1' => ["  # ", " ## ", "  # ", "  # ", " ###"],
        '2' => ["####", "   #", "####", "#   ", "####"],
        '3' => ["####", "   #", " ###", "   #", "####"],
        '4' => ["#  #", "#  #", "####", "   #", "   #"],
        '5' => ["####", "#   ", "####", "   #", "####"],
        '6' => ["####", "#   ", "####", "#  #", "####"],
        '7' => ["####", "   #", "  # ", " #  ", " #  "],
        '8' => ["####", "#  #", "####", "#  #", "####"],
        '9' => ["####", "#  #", "####", "   #", "####"],
        '-' => ["    ", "    ", "####", "    ", "    "],
        '.' => ["  ", "  ", "  ", "##", "##"],
        ' ' => ["  ", "  ", "  ", "  ", "  "],
        _ => return None,
    })
}

/// A number in big digits, each stroke two columns wide; characters without a big form are left out.
pub fn digits(text: &str) -> [String; ROWS] {
    let mut rows = [const { String::new() }; ROWS];
    for strokes in text.chars().filter_map(strokes) {
        for (row, stroke) in rows.iter_mut().zip(strokes) {
            for c in stroke.chars() {
                row.push_str(if c == '#' { "██" } else { "  " });
            }
            row.push_str("  ");
        }
    }
    rows
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_row_is_as_wide_as_the_others_and_no_two_digits_look_alike() {
        let rows = digits("-0123456789.");
        let width = rows[0].chars().count();
        assert!(width > 0 && rows.iter().all(|row| row.chars().count() == width));
        let all: std::collections::BTreeSet<_> = "0123456789".chars().map(strokes).collect();
        assert_eq!(all.len(), 10);
        assert_eq!(digits("x"), digits(""));
    }
}
