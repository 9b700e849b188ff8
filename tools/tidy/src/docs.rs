//! Every room says what it is for.

use crate::{Finding, Source};

/// The fewest characters that can say what a room is for.
const FEWEST: usize = 30;

/// Packages whose first source file (`src/lib.rs`, or `src/main.rs` without one) does not begin with words on
/// what the package is for.
pub fn room_without_words(files: &[Source]) -> Vec<Finding> {
    let manifests = files.iter().filter_map(|file| file.path.strip_suffix("/Cargo.toml"));
    let judge = |folder: &str| {
        let first = ["lib.rs", "main.rs"].into_iter().find_map(|name| {
            let path = format!("{folder}/src/{name}");
            files.iter().find(|file| file.path == path)
        });
        match first {
            None => Some(Finding::new(folder, "it has neither src/lib.rs nor src/main.rs")),
            Some(file) => {
                let words = "it does not say what the room is for: begin it with //! and a sentence";
                (!says_something(&file.text)).then(|| Finding::new(&file.path, words))
            }
        }
    };
    manifests.filter_map(judge).collect()
}

fn says_something(text: &str) -> bool {
    let lines = text.lines().map_while(|line| line.strip_prefix("//!"));
    let words = lines.map(str::trim).collect::<Vec<_>>().join(" ");
    let stand_in = ["placeholder", "to come", "tbd", "coming soon"];
    let lower = words.to_lowercase();
    words.len() >= FEWEST && !stand_in.iter().any(|stand_in| lower.starts_with(stand_in))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn told(text: &str) -> usize {
        let manifest = Source::new("daemon/car/Cargo.toml", "");
        room_without_words(&[manifest, Source::new("daemon/car/src/lib.rs", text)]).len()
    }

    #[test]
    fn words_that_say_nothing_are_told() {
        for bad in [
            "",
            "//! Placeholder.\n",
            "//! Placeholder until the rest is there, later.\n",
            "pub mod a;\n",
            "//! Car.\n",
        ] {
            assert_eq!(told(bad), 1, "{bad}");
        }
        assert_eq!(told("//! Controller descriptions: what a controller can be asked.\n\npub mod a;\n"), 0);
    }

    #[test]
    fn a_package_without_source_is_told() {
        assert_eq!(room_without_words(&[Source::new("daemon/car/Cargo.toml", "")]).len(), 1);
    }
}
