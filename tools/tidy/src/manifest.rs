//! What every package's manifest must say.

use toml::{Table, Value};

use crate::{Finding, Source};

/// The one room whose lints are its own: unsafe code may stand there.
const OWN_LINTS: &str = "daemon/os";

/// Manifests that do not inherit the workspace's lints, or that name a version, a path or a source of a
/// dependency themselves instead of taking it from the workspace.
pub fn manifests(files: &[Source]) -> Vec<Finding> {
    let packages = files.iter().filter(|file| file.path.ends_with("/Cargo.toml"));
    packages.flat_map(judge).collect()
}

fn judge(file: &Source) -> Vec<Finding> {
    let table: Table = match file.text.parse() {
        Ok(table) => table,
        Err(error) => return vec![Finding::new(&file.path, format!("it is no TOML: {error}"))],
    };
    let inherits = table.get("lints").and_then(|lints| lints.get("workspace")) == Some(&Value::Boolean(true));
    let mut findings = Vec::new();
    if !inherits && !file.is_in(OWN_LINTS) {
        findings.push(Finding::new(
            &file.path,
            "it does not inherit the workspace's lints: write [lints] workspace = true",
        ));
    }
    for kind in ["dependencies", "dev-dependencies", "build-dependencies"] {
        let Some(Value::Table(dependencies)) = table.get(kind) else { continue };
        let own =
            dependencies.iter().filter(|(_, value)| value.get("workspace") != Some(&Value::Boolean(true)));
        findings.extend(own.map(|(name, _)| {
            let words =
                format!("{name} is not taken from [workspace.dependencies]: one list keeps one version");
            Finding::new(&file.path, words)
        }));
    }
    findings
}

#[cfg(test)]
mod tests {
    use super::*;

    fn told(path: &str, text: &str) -> Vec<String> {
        manifests(&[Source::new(path, text)]).iter().map(ToString::to_string).collect()
    }

    #[test]
    fn a_manifest_in_order_is_passed() {
        let text = "[lints]\nworkspace = true\n[dependencies]\nserde.workspace = true\n\
                    json = { workspace = true, features = [\"x\"] }\n";
        assert_eq!(told("daemon/car/Cargo.toml", text), Vec::<String>::new());
        assert_eq!(
            told("daemon/os/Cargo.toml", "[lints.rust]\nmissing_docs = \"warn\"\n"),
            Vec::<String>::new()
        );
    }

    #[test]
    fn own_lints_and_own_versions_are_told() {
        let text = "[lints.rust]\nunsafe_code = \"allow\"\n[dev-dependencies]\nserde = \"1\"\n";
        let told = told("daemon/car/Cargo.toml", text);
        assert!(told[0].contains("lints"), "{told:?}");
        assert!(told[1].contains("serde"), "{told:?}");
        assert_eq!(told.len(), 2);
    }
}
