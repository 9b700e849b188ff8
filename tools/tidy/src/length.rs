//! Files of one subject are short.

use crate::{Finding, Source};

/// Lines from which on a file of Rust probably has two subjects.
pub const LONG: usize = 400;

/// Lines past which a file of Rust is refused.
pub const TOO_LONG: usize = 600;

/// Files of Rust past [`LONG`] lines: to be looked at, not refused.
pub fn long_files(files: &[Source]) -> Vec<Finding> {
    longer_than(files, LONG)
}

/// Files of Rust past [`TOO_LONG`] lines.
pub fn too_long_files(files: &[Source]) -> Vec<Finding> {
    longer_than(files, TOO_LONG)
}

fn longer_than(files: &[Source], limit: usize) -> Vec<Finding> {
    let length = |file: &Source| file.text.lines().count();
    let long = files.iter().filter(|file| file.is_rust() && length(file) > limit);
    long.map(|file| {
        Finding::new(&file.path, format!("{} lines, past {limit}: does it have two subjects?", length(file)))
    })
    .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn length_is_told_from_the_line_past_the_limit() {
        let file = |lines: usize| [Source::new("a.rs", "x\n".repeat(lines))];
        assert!(too_long_files(&file(600)).is_empty());
        assert_eq!(too_long_files(&file(601)).len(), 1);
        assert!(long_files(&file(400)).is_empty());
        assert_eq!(long_files(&file(401)).len(), 1);
        assert!(too_long_files(&[Source::new("a.csv", "x\n".repeat(601))]).is_empty());
    }
}
