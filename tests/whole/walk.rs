//! Every point at which a run can be harmed, harmed in every way: the output must come back, the record must
//! be readable.

use std::time::Duration;

use bench_car::{Happened, Ignored, Why};
use holdgate_tests::{Bench, Harm, Saboteur, report};
use model::event::Event;
use record::Archive;
use station::run::{Hooks, Plan};

/// A short run with everything in it: waiting, measuring, a guarded hold, a note.
const SCRIPT: &str = r#"
procedure("walk", #{ title: "A short hold", channels: ["rpm", "idle_valve_held"], outputs: ["idle_valve"] });
caution(["Only ever run on the bench car."]);
poll(["rpm"], 150.milliseconds);
step("before", "Read", || {
    wait(above("rpm", 300.rpm).over(1.second).limit(10.seconds));
});
step("hold", "Hold", || {
    hold("idle_valve", 35.steps, #{ at_most: 4.seconds, drop_if: [below("rpm", 200.rpm)] }, || {
        note("held", measure("rpm", "held", 800.milliseconds));
    });
});
step("after", "Read again", || {
    latest("rpm", 2.seconds);
});
"#;

const WINDOW: i64 = 4_000_000_000;
/// The controller's own timeout (the bench car's P3max), which counts from the end of its answer: P2max and the
/// longest answer after the request.
const CONTROLLER_TIMEOUT: i64 = 5_000_000_000 + 50_000_000 + 30_000_000;
const SEED: u64 = 11;

struct Outcome {
    held_when_harmed: bool,
}

/// Runs with a saboteur, restarts after a crash, and checks what must be so afterwards.
fn harmed(make: &dyn Fn(&Bench) -> Saboteur, harm: Harm, downtime: i64, what: &str) -> Outcome {
    let bench = Bench::new(SEED);
    let saboteur = make(&bench);
    let mut plan = bench.plan("walk.rhai", SCRIPT).expect("the script is in order");
    if harm == Harm::Abandon {
        // Real time: a script that merely was slow is then abandoned too, which changes nothing below.
        plan.script_patience = Duration::from_millis(5);
    }
    let ended = bench.run(&plan, saboteur.hooks());
    saboteur.let_go();
    let harmed_at = saboteur.harmed_at();
    let crashed = ended.is_none();
    assert_eq!(crashed, harm == Harm::Crash, "{what}: ended {ended:?}");
    if crashed {
        restart(&bench, &plan, downtime, what);
    }
    bench.let_pass(20_000_000_000);

    // The output is back.
    assert_eq!(bench.world.borrow().truth().held, None, "{what}: still held");
    let reachable = !matches!(harm, Harm::Gone | Harm::Cut);
    for (from, to) in bench.holds() {
        let (to, why) = to.unwrap_or_else(|| panic!("{what}: a hold without an end"));
        match why {
            // Released from this side, by its request or by a fresh wake-up: inside its window.
            Why::Request | Why::StopCommunication | Why::SessionChange => {
                assert!(
                    to - from <= WINDOW + restart_time(harm, downtime),
                    "{what}: held for {} ns",
                    to - from
                );
            }
            // By the controller: only where this side could not reach it, or had fallen silent on purpose.
            Why::Timeout => {
                let last =
                    bench.requests().iter().map(|(at, _)| *at).filter(|at| *at < to).max().unwrap_or(from);
                assert!(
                    to - last <= CONTROLLER_TIMEOUT,
                    "{what}: the controller let go {} ns late",
                    to - last
                );
                assert!(!reachable || harm == Harm::Crash, "{what}: left to the controller's timeout");
            }
            Why::KeyOff | Why::Reset => panic!("{what}: released by {why:?}, which nobody did"),
        }
    }
    let held_when_harmed = harmed_at.is_some_and(|at| {
        bench.holds().iter().any(|(from, to)| *from < at && to.is_none_or(|(to, _)| at < to))
    });
    if reachable && held_when_harmed && !crashed {
        next_request_is_the_release(&bench, harmed_at.unwrap_or_default(), what);
    }

    // Nothing is left in the ledger, and the record is readable up to the harm.
    let outstanding = bench.left_in_ledger(&plan);
    assert!(outstanding.is_empty(), "{what}: the ledger still holds {outstanding:?}");
    let (archive, _) = Archive::open(bench.folder()).expect("an archive");
    let sessions = archive.sessions().expect("sessions");
    assert!(!sessions.is_empty(), "{what}: no record");
    for (i, path) in sessions.into_iter().enumerate() {
        let session = record::read_session(&path).unwrap_or_else(|p| panic!("{what}: {p}"));
        let events = &session.events;
        assert!(events.windows(2).all(|two| two[1].seq == two[0].seq + 1), "{what}: events are missing");
        assert!(matches!(events[0].event, Event::SessionStarted { .. }), "{what}: {:?}", events.first());
        let mut newest = events.last().map_or(0, |event| event.at.0);
        for sample in session.samples().expect("samples") {
            newest = newest.max(sample.unwrap_or_else(|p| panic!("{what}: {p}")).at.0);
        }
        // The harmed run's own record reaches up to the harm; the longest time without anything to record is the
        // wake-up.
        if let (0, Some(at)) = (i, harmed_at) {
            assert!(
                newest >= at - 600_000_000,
                "{what}: the record ends at {newest} ns, {at} ns were reached"
            );
        }
    }
    // A wake-up that was broken off is an odd pulse; the gaps between requests and characters are kept anyway.
    let broken = bench.violations();
    let gap =
        |h: &&Happened| matches!(h, Happened::Ignored { why: Ignored::P3Min(_) | Ignored::P4Min(_), .. });
    assert_eq!(broken.iter().find(gap), None, "{what}: timing of the standard broken");
    Outcome { held_when_harmed }
}

/// A hold that a crash interrupted ends with the restart's first word, whenever that comes.
fn restart_time(harm: Harm, downtime: i64) -> i64 {
    if harm == Harm::Crash { downtime + 1_000_000_000 } else { 0 }
}

fn restart(bench: &Bench, plan: &Plan, downtime: i64, what: &str) {
    bench.let_pass(downtime);
    let held = bench.world.borrow().truth().held.is_some();
    let before = bench.requests().len();
    let ended = bench.run(plan, Hooks::default()).unwrap_or_else(|| panic!("{what}: the restart crashed"));
    assert_eq!(ended.ending, model::Ending::Passed, "{what}: {ended:?}");
    if held {
        let first = &bench.requests()[before].1;
        assert_eq!(first[..3], [0x30, 0x51, 0x00], "{what}: after the restart came {first:02X?}");
    }
}

/// What was on the wire at the harm may end; the release follows it, with nothing but a wake-up before it.
fn next_request_is_the_release(bench: &Bench, at: i64, what: &str) {
    // A request of eight characters with its gaps lasts about 45 ms.
    const REQUEST: i64 = 50_000_000;
    let after: Vec<(i64, Vec<u8>)> = bench.requests().into_iter().filter(|(end, _)| *end > at).collect();
    let first = after.iter().find(|(end, request)| !(request[0] == 0x81 || *end < at + REQUEST));
    let release = |(end, request): &(i64, Vec<u8>)| *end < at + REQUEST && request[..] == [0x30, 0x51, 0x00];
    let already = bench.requests().iter().any(release);
    let released = first.is_some_and(|(_, request)| request[..] == [0x30, 0x51, 0x00]);
    assert!(already || released, "{what}: after the harm came {after:02X?}");
}

fn points() -> (usize, usize) {
    let bench = Bench::new(SEED);
    let saboteur = Saboteur::counting(&bench.world);
    let plan = bench.plan("walk.rhai", SCRIPT).expect("the script is in order");
    let ended = bench.run(&plan, saboteur.hooks()).expect("it does not crash");
    assert_eq!(ended.ending, model::Ending::Passed, "{}\n{ended:?}", bench.paper.text());
    assert_eq!(bench.holds().len(), 1);
    assert_eq!(bench.violations(), []);
    (saboteur.awaits(), saboteur.calls())
}

/// Panics on purpose would fill the log with their traces; any other is told.
pub(crate) fn quiet() {
    static ONCE: std::sync::Once = std::sync::Once::new();
    ONCE.call_once(|| {
        let usual = std::panic::take_hook();
        std::panic::set_hook(Box::new(move |panic| {
            if !panic.payload_as_str().is_some_and(|text| text.ends_with("failed on purpose")) {
                usual(panic);
            }
        }));
    });
}

/// Harms a run in one way at every point at which its driver awaits.
fn walk(harm: Harm) {
    quiet();
    let (awaits, _) = points();
    let mut while_held = 0;
    for n in 0..awaits {
        // A program that comes back at once finds the controller listening; later it does not.
        let downtime = if n % 2 == 0 { 700_000_000 } else { 9_000_000_000 };
        let what = format!("{harm:?} at await {n} of {awaits}");
        let outcome = harmed(&|bench| Saboteur::at_await(&bench.world, harm, n), harm, downtime, &what);
        while_held += u32::from(outcome.held_when_harmed);
    }
    assert!(while_held > 100, "only {while_held} harms fell into the hold");
    report(&format!(
        "{harm:?}: {awaits} await points harmed, {while_held} of them while the output was held"
    ));
}

#[test]
fn a_port_that_fails_once_at_any_await_point() {
    walk(Harm::Error);
}

#[test]
fn a_port_that_goes_at_any_await_point() {
    walk(Harm::Gone);
}

#[test]
fn a_driver_that_panics_at_any_await_point() {
    walk(Harm::Panic);
}

#[test]
fn a_stop_at_any_await_point() {
    walk(Harm::Cancel);
}

#[test]
fn a_cable_cut_at_any_await_point() {
    walk(Harm::Cut);
}

#[test]
fn a_crash_at_any_await_point_and_a_restart() {
    walk(Harm::Crash);
}

#[test]
fn every_harm_at_any_call_of_the_script() {
    quiet();
    let (_, calls) = points();
    for harm in Harm::AT_CALLS {
        for n in 0..calls {
            let what = format!("{harm:?} at call {n} of {calls}");
            harmed(&|bench| Saboteur::at_call(&bench.world, harm, n), harm, 700_000_000, &what);
        }
    }
    report(&format!(
        "{calls} host calls harmed in {} ways: {} runs",
        Harm::AT_CALLS.len(),
        calls * Harm::AT_CALLS.len()
    ));
}

#[test]
fn a_script_that_outstays_its_window_loses_its_hold_inside_it() {
    for millis in (700..6_000).step_by(150) {
        let bench = Bench::new(SEED);
        let at_most = format!("at_most: {millis}.milliseconds");
        let text = SCRIPT.replace("800.milliseconds", "9.seconds").replace("at_most: 4.seconds", &at_most);
        let plan = bench.plan("walk.rhai", &text).expect("the script is in order");
        let ended = bench.run(&plan, Hooks::default()).expect("it does not crash");
        assert_eq!(ended.ending, model::Ending::Stopped, "{millis} ms: {ended:?}");
        let holds = bench.holds();
        assert_eq!(holds.len(), 1, "{millis} ms");
        let (from, Some((to, Why::Request))) = holds[0] else { panic!("{millis} ms: {holds:?}") };
        let held = to - from;
        assert!(held <= millis * 1_000_000, "{millis} ms: held for {held} ns");
        // Nor does it give up long before: at the most the gap, the request and one exchange early.
        assert!(held >= millis * 1_000_000 - 700_000_000, "{millis} ms: held for {held} ns only");
    }
}
