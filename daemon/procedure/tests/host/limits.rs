//! Scripts that want too much.

use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};

use insta::assert_snapshot;
use model::Ending;
use procedure::{Cancel, Limits, MemoryMeter, STACK_BYTES, compile};

use crate::fake::{after_header, outcome, station, told, try_run, try_run_with};

#[test]
fn an_endless_loop() {
    assert_snapshot!(outcome("loop { }"), @r#"
    bad input
    trial.rhai:2:6: the script ran for more than 5000000 operations (a loop that never ends? Wait for the car with wait(…))
    "#);
    assert_snapshot!(outcome("step(\"a\", \"A\", || {\n  latest(\"rpm\");\n  while true { let x = 1; }\n});"), @r#"
    bad input
    trial.rhai:2:1: the script ran for more than 5000000 operations (a loop that never ends? Wait for the car with wait(…); the last call before it is in line 3)
    > begin a
    > latest rpm 2.0 s
    > end a: bad input
    "#);
    assert_snapshot!(outcome("loop { try { loop { } } catch { } }"), @r#"
    bad input
    trial.rhai:2:19: the script ran for more than 5000000 operations (a loop that never ends? Wait for the car with wait(…))
    "#);
}

#[test]
fn deep_recursion() {
    assert_snapshot!(outcome("fn down(n) { down(n + 1) }\ndown(0);"), @r#"
    bad input
    trial.rhai:3:1: functions call each other more than 32 deep (a function that calls itself? Use a loop)
    "#);
}

#[test]
fn the_deepest_script_that_is_allowed_fits_the_stack_that_is_asked_for() {
    // Calls as deep as they may be, within expressions as deep as they may be, and through native functions; a
    // quarter of the stack leaves a margin of four.
    let deep = format!("{}n{}", "(1 + ".repeat(9), ")".repeat(9));
    for body in [
        format!("fn down(n) {{ {}down({deep}){} }}\ndown(0);", "(1 + ".repeat(9), ")".repeat(9)),
        format!("fn down(n) {{ [n].for_each(|x| down({deep})); }}\ndown(0);", deep = deep.replace('n', "x")),
        format!("fn down(n) {{ let f = || down({deep}); f.call(); }}\ndown(0);"),
    ] {
        let text = after_header(&body);
        let thread = std::thread::Builder::new().stack_size(STACK_BYTES / 4).spawn(move || {
            let (ask, _) = station(|_, _| None);
            try_run(&text, ask)
        });
        let report = thread.unwrap().join().unwrap();
        assert!(report.problems[0].seen.contains("32 deep"), "{report:?}");
    }
    for nested in ["[", "(", "{", "if true { ", "|x| "] {
        let (ask, _) = station(|_, _| None);
        let report = try_run(&after_header(&nested.repeat(20_000)), ask);
        assert_eq!(report.ending, Ending::BadInput, "{nested}");
    }
}

#[test]
fn a_text_that_doubles() {
    assert_snapshot!(outcome("let s = \"x\";\nloop { s += s; }"), @r#"
    bad input
    trial.rhai:3:10: a text has grown over its limit (texts may have 65536 bytes, lists 10000 elements, maps 2000 entries)
    "#);
}

#[test]
fn lists_within_lists() {
    assert_snapshot!(outcome("let a = [1, 2];\nloop { a = [a, a]; }"), @r#"
    bad input
    trial.rhai:3:16: a list has grown over its limit (texts may have 65536 bytes, lists 10000 elements, maps 2000 entries)
    "#);
    assert_snapshot!(outcome("let a = [];\nloop { a.push(1); }"), @r#"
    bad input
    trial.rhai:3:10: a list has grown over its limit (texts may have 65536 bytes, lists 10000 elements, maps 2000 entries)
    "#);
    assert_snapshot!(outcome("let a = [];\na.pad(1000000000, 0);"), @r#"
    bad input
    trial.rhai:3:3: a list has grown over its limit (texts may have 65536 bytes, lists 10000 elements, maps 2000 entries)
    "#);
    assert_snapshot!(outcome("let s = \"\";\ns.pad(1000000000, \"x\");"), @r#"
    bad input
    trial.rhai:3:3: a text has grown over its limit (texts may have 65536 bytes, lists 10000 elements, maps 2000 entries)
    "#);
}

const MAP_BOMB: &str = "let m = #{};\nlet n = 0;\nlet s = \"0123456789abcdef\";\nfor i in 0..10 { s += s; }\n\
                        loop { n += 1; m[`${n}`] = s + n; }";

#[test]
fn map_entries_by_index_are_stopped_by_the_meter() {
    // Each reading of the meter is a mebibyte more than the one before.
    let grown = Arc::new(AtomicU64::new(0));
    let meter = MemoryMeter::new(move || grown.fetch_add(1024 * 1024, Ordering::Relaxed));
    let (ask, log) = station(|_, _| None);
    let report = try_run_with(&after_header(MAP_BOMB), ask, Cancel::new(), meter);
    assert_snapshot!(told(&report, &log), @r#"
    bad input
    trial.rhai:6:10: the script took more than 64 MiB of memory (keep less: readings are recorded without the script's help)
    "#);
}

#[cfg(target_os = "linux")]
#[test]
fn map_entries_by_index_do_not_get_far_with_a_real_meter() {
    // Resident pages of the whole process, in pages of 4 KiB (proc(5), statm): coarse, but it really counts.
    fn resident() -> u64 {
        let text = std::fs::read_to_string("/proc/self/statm").unwrap();
        text.split_whitespace().nth(1).unwrap().parse::<u64>().unwrap() * 4096
    }
    let (ask, _) = station(|_, _| None);
    let report = try_run_with(&after_header(MAP_BOMB), ask, Cancel::new(), MemoryMeter::new(resident));
    assert_eq!(report.ending, Ending::BadInput);
    let seen = &report.problems[0].seen;
    assert!(seen.contains("64 MiB"), "{seen}");
}

#[test]
fn a_script_that_is_too_long() {
    let text = "// x\n".repeat(200_000);
    let problems = compile("long.rhai", &text, &Limits::default()).unwrap_err();
    assert_snapshot!(problems[0], @r#"long.rhai: the script has 1000000 bytes, and 524288 are allowed (split it into several procedures)"#);
}
