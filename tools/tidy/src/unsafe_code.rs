//! Unsafe code stands in one room.

use crate::{Finding, Source, blank, word_places};

/// Sources outside `daemon/os` with unsafe code in them.
pub fn unsafe_outside_os(files: &[Source]) -> Vec<Finding> {
    let judge = |file: &Source| {
        let code = blank(&file.text);
        let told = word_places(&code, "unsafe").map(|at| {
            Finding::at(&file.path, &code, at, "unsafe code belongs into daemon/os: offer a safe call there")
        });
        told.collect::<Vec<_>>()
    };
    files.iter().filter(|file| file.is_rust() && !file.is_in("daemon/os")).flat_map(judge).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn unsafe_code_is_told_outside_its_room() {
        let text = "// unsafe in words\nfn f() { unsafe { g() } }\n";
        let bad = unsafe_outside_os(&[Source::new("daemon/car/src/a.rs", text)]);
        assert_eq!(bad.len(), 1);
        assert_eq!(bad[0].line, Some(2));
        assert!(unsafe_outside_os(&[Source::new("daemon/os/src/a.rs", text)]).is_empty());
    }
}
