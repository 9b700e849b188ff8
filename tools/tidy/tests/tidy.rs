//! Shows the repository itself to every check.

use std::collections::{BTreeMap, BTreeSet};
use std::path::{Path, PathBuf};
use std::process::Command;

use holdgate_tidy::{Finding, HOUSE, Package, Source};
use serde_json::Value;

fn top() -> PathBuf {
    let here = Path::new(env!("CARGO_MANIFEST_DIR")).join("../..");
    here.canonicalize().expect("the package lies two folders below the top")
}

/// Every file that git tracks; a script that a user tries in the folder is none of ours, and one that is deleted
/// and not yet committed counts as gone.
fn paths() -> Vec<String> {
    let mut git = Command::new("git");
    git.current_dir(top()).args(["ls-files", "-z", "--cached"]);
    let output = git.output().expect("the tidy checks need git on the path");
    let complaint = String::from_utf8_lossy(&output.stderr);
    assert!(output.status.success(), "git cannot list the repository's files: {complaint}");
    let text = String::from_utf8(output.stdout).expect("every name in the repository is UTF-8");
    let paths: BTreeSet<&str> = text.split('\0').filter(|path| !path.is_empty()).collect();
    paths.into_iter().filter(|path| top().join(path).is_file()).map(String::from).collect()
}

/// Every text among them.
fn sources() -> Vec<Source> {
    let read = |path: String| {
        let bytes = std::fs::read(top().join(&path)).unwrap_or_else(|error| panic!("{path}: {error}"));
        String::from_utf8(bytes).ok().map(|text| Source::new(path, text))
    };
    let sources: Vec<Source> = paths().into_iter().filter_map(read).collect();
    assert!(sources.iter().any(|file| file.path == "daemon/model/src/lib.rs"), "the wrong folder was read");
    sources
}

/// The kind of machine this is built on: packages for other kinds need not be at hand.
fn host() -> String {
    let rustc = std::env::var_os("RUSTC").unwrap_or_else(|| "rustc".into());
    let output = Command::new(rustc).arg("-vV").output().expect("a compiler built this test");
    let text = String::from_utf8(output.stdout).expect("the compiler writes UTF-8");
    let host = text.lines().find_map(|line| line.strip_prefix("host: "));
    host.expect("the compiler names its host").to_string()
}

/// What cargo says of the workspace, in the form that it documents as version 1 of `cargo metadata`.
///
/// It is read as plain JSON: the library for it turns on a feature of `serde_json`, for which half of all
/// packages would be built twice.
fn metadata() -> Value {
    let cargo = std::env::var_os("CARGO").unwrap_or_else(|| "cargo".into());
    let mut command = Command::new(cargo);
    command.current_dir(top()).args(["metadata", "--format-version", "1"]);
    // What is being built is resolved already; nothing is to be asked of a registry here.
    command.args(["--offline", "--locked", "--filter-platform", &host()]);
    let output = command.output().expect("cargo runs this test");
    let complaint = String::from_utf8_lossy(&output.stderr);
    assert!(output.status.success(), "cargo cannot describe the workspace: {complaint}");
    serde_json::from_slice(&output.stdout).expect("cargo writes JSON")
}

fn list<'v>(value: &'v Value, key: &str) -> &'v [Value] {
    value[key].as_array().unwrap_or_else(|| panic!("cargo gives a list of {key}"))
}

fn text<'v>(value: &'v Value, key: &str) -> &'v str {
    value[key].as_str().unwrap_or_else(|| panic!("cargo gives a text for {key}"))
}

fn packages(metadata: &Value) -> Vec<Package> {
    let root = Path::new(text(metadata, "workspace_root"));
    let folder = |package: &Value| {
        let folder = Path::new(text(package, "manifest_path")).parent().expect("a manifest lies in a folder");
        let folder = folder.strip_prefix(root).expect("members lie in the workspace");
        folder.to_str().expect("every name in the repository is UTF-8").replace('\\', "/")
    };
    let members = || list(metadata, "packages").iter().filter(|package| package["source"].is_null());
    let folders: BTreeMap<&str, String> = members().map(|p| (text(p, "name"), folder(p))).collect();
    let package = |package: &Value| {
        // A dependency of the program has no kind.
        let of_kind = |normal: bool| {
            let of_kind = list(package, "dependencies").iter().filter(|d| d["kind"].is_null() == normal);
            of_kind.filter_map(|d| folders.get(text(d, "name")).cloned()).collect()
        };
        Package {
            folder: folder(package),
            uses: of_kind(true),
            uses_in_tests: of_kind(false),
            outside: outside(metadata, text(package, "id")),
        }
    };
    members().map(package).collect()
}

/// Names of all outside packages a program is made with, through any number of others.
fn outside(metadata: &Value, id: &str) -> Vec<String> {
    let nodes: BTreeMap<&str, &Value> =
        list(&metadata["resolve"], "nodes").iter().map(|node| (text(node, "id"), node)).collect();
    let mut reached = BTreeSet::from([id]);
    let mut open = vec![id];
    while let Some(next) = open.pop() {
        let normal = list(nodes[next], "deps")
            .iter()
            .filter(|dependency| list(dependency, "dep_kinds").iter().any(|kind| kind["kind"].is_null()));
        open.extend(normal.map(|dependency| text(dependency, "pkg")).filter(|pkg| reached.insert(pkg)));
    }
    let strangers = list(metadata, "packages").iter().filter(|package| !package["source"].is_null());
    let reached = strangers.filter(|package| reached.contains(text(package, "id")));
    reached.map(|package| text(package, "name").to_string()).collect()
}

#[track_caller]
fn assert_none(findings: &[Finding]) {
    let told: Vec<String> = findings.iter().map(ToString::to_string).collect();
    assert!(told.is_empty(), "{} broken:\n{}\n", told.len(), told.join("\n"));
}

#[test]
fn rooms_use_only_what_they_may() {
    let packages = packages(&metadata());
    let link = packages.iter().find(|package| package.folder == "daemon/link").expect("there is a link");
    assert!(link.uses.contains(&"daemon/wire".to_string()), "the arrows were not read: {link:?}");
    assert_none(&holdgate_tidy::room_uses(HOUSE, &packages));
}

#[test]
fn the_developers_page_has_the_same_table() {
    let page = std::fs::read_to_string(top().join("DEVELOPERS.md")).expect("there is a page for developers");
    assert_none(&holdgate_tidy::documented(HOUSE, &page));
}

#[test]
fn pure_rooms_have_no_runtime_no_chance_and_no_tables() {
    let packages = packages(&metadata());
    let record =
        packages.iter().find(|package| package.folder == "daemon/record").expect("there is a record");
    assert!(record.outside.contains(&"arrow-schema".to_string()), "only direct uses were read: {record:?}");
    assert_none(&holdgate_tidy::outside_in_pure_rooms(HOUSE, &packages));
}

#[test]
fn pure_rooms_do_not_touch_the_system() {
    assert_none(&holdgate_tidy::system_in_pure_rooms(&sources()));
}

#[test]
fn manifests_inherit_lints_and_versions() {
    assert_none(&holdgate_tidy::manifests(&sources()));
}

#[test]
fn unsafe_code_stands_in_one_room() {
    assert_none(&holdgate_tidy::unsafe_outside_os(&sources()));
}

#[test]
fn every_select_is_ordered() {
    assert_none(&holdgate_tidy::unordered_select(&sources()));
}

#[test]
fn no_test_is_switched_off() {
    assert_none(&holdgate_tidy::ignored_tests(&sources()));
}

#[test]
fn the_top_holds_what_belongs_there() {
    let paths = paths();
    assert_none(&holdgate_tidy::top_level(paths.iter().map(String::as_str)));
}

#[test]
fn no_file_is_too_long() {
    let sources = sources();
    for note in holdgate_tidy::long_files(&sources) {
        println!("note: {note}");
    }
    assert_none(&holdgate_tidy::too_long_files(&sources));
}

#[test]
fn no_file_holds_a_forbidden_word() {
    assert_none(&holdgate_tidy::words(&sources()));
}

#[test]
fn every_package_comes_from_the_public_registry() {
    let lock = std::fs::read_to_string(top().join("Cargo.lock")).expect("the lock file is committed");
    assert_none(&holdgate_tidy::lock_sources(&lock));
}

#[test]
fn every_room_says_what_it_is_for() {
    assert_none(&holdgate_tidy::room_without_words(&sources()));
}
