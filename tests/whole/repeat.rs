//! One seed twice gives the same bytes.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

use bench_car::{Noise, WorldConfig};
use holdgate_tests::Bench;
use station::run::Hooks;

fn files(folder: &Path, into: &mut BTreeMap<PathBuf, Vec<u8>>, root: &Path) {
    let mut entries: Vec<_> = std::fs::read_dir(folder)
        .expect("the run and its files are in order")
        .map(|entry| entry.expect("the run and its files are in order").path())
        .collect();
    entries.sort();
    for path in entries {
        if path.is_dir() {
            files(&path, into, root);
        } else {
            into.insert(
                path.strip_prefix(root).expect("the run and its files are in order").to_path_buf(),
                std::fs::read(&path).expect("the run and its files are in order"),
            );
        }
    }
}

/// Every file of the session, and every line of the event stream.
fn run(seed: u64) -> (BTreeMap<PathBuf, Vec<u8>>, String) {
    let noise = Noise { lost: 0.002, corrupted: 0.002, ..Noise::default() };
    let bench = Bench::with(WorldConfig { seed, warm_at: 75.0, line_noise: noise, ..WorldConfig::default() });
    let shipped = procedure::scripts::shipped("hold-demo").expect("the run and its files are in order");
    let plan = bench.plan(shipped.file, shipped.text).expect("the run and its files are in order");
    let ended = bench.run(&plan, Hooks::default()).expect("the run and its files are in order");
    let mut all = BTreeMap::new();
    let path = ended.path.expect("the run and its files are in order");
    files(&path, &mut all, &path);
    (all, bench.paper.text())
}

#[test]
fn one_seed_twice_gives_identical_files_and_an_identical_event_stream() {
    for seed in [1, 2] {
        let (first, second) = (run(seed), run(seed));
        let names: Vec<_> = first.0.keys().map(|path| path.display().to_string()).collect();
        assert!(
            names.contains(&"samples.parquet".to_string()) && names.contains(&"events.parquet".to_string())
        );
        assert!(first.1.lines().count() > 30);
        assert_eq!(first.1, second.1, "seed {seed}: the event streams differ");
        assert!(first.0 == second.0, "seed {seed}: files differ");
    }
}

#[test]
fn two_seeds_give_different_runs() {
    assert_ne!(run(1).1, run(2).1);
}
