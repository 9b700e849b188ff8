//! What may lie at the top.

use std::collections::BTreeSet;

use crate::Finding;

const NAMES: &[&str] = &[
    "Cargo.toml",
    "Cargo.lock",
    "README.md",
    "DEVELOPERS.md",
    "clippy.toml",
    "rustfmt.toml",
    "daemon",
    "schemas",
    "scripts",
    "tests",
    "tools",
];

/// Names at the top that do not belong there, each once.
pub fn top_level<'p>(paths: impl IntoIterator<Item = &'p str>) -> Vec<Finding> {
    let names: BTreeSet<&str> = paths.into_iter().filter_map(|path| path.split('/').next()).collect();
    let belongs = |name: &&str| NAMES.contains(name) || name.starts_with('.') || name.starts_with("LICENSE-");
    let strangers = names.into_iter().filter(|name| !belongs(name));
    strangers.map(|name| Finding::new(name, "it does not belong at the top: every file has a room")).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_stranger_at_the_top_is_told_once() {
        let paths = ["daemon/car/src/lib.rs", ".ci/run", "LICENSE-MIT", "notes/a.md", "notes/b.md", "x.rs"];
        let told: Vec<_> = top_level(paths).into_iter().map(|finding| finding.place).collect();
        assert_eq!(told, ["notes", "x.rs"]);
    }
}
