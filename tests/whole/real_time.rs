//! The program on a real port: a pseudo-terminal with the bench car behind it, in real time.

use bench_car::{Happened, WorldConfig};
use clock::Clock;
use holdgate_tests::garage::Garage;
use holdgate_tests::{Bench, report};
use model::event::{Event, ReleaseProof};
use model::{Ending, Span};
use serde_json::Value;
use station::bench::served::Act;
use station::run::Hooks;

use crate::command_line::program;

/// Holds as soon as the link is up, for longer than any test waits.
const HOLDER: &str = r#"
procedure("holder", #{ title: "Hold the valve", channels: ["rpm", "idle_valve"], outputs: ["idle_valve"] });
caution(["Lead the exhaust outside."]);
poll(["rpm", "idle_valve"], 200.milliseconds);
step("hold", "Hold it", || {
    wait(above("rpm", 100.rpm).limit(30.seconds));
    hold("idle_valve", latest("idle_valve"), #{ at_most: 60.seconds }, || {
        wait(above("rpm", 30000.rpm).limit(50.seconds));
    });
});
"#;

/// Looks at the engine speed for a long time and takes nothing over.
const LOOKER: &str = r#"
procedure("looker", #{ title: "Look", channels: ["rpm"] });
caution(["Lead the exhaust outside."]);
poll(["rpm"], 100.milliseconds);
step("look", "Look", || {
    wait(above("rpm", 30000.rpm).limit(10.minutes));
});
"#;

fn warm(seed: u64) -> WorldConfig {
    WorldConfig { seed, warm_at: 75.0, ..WorldConfig::default() }
}

fn of_kind<'a>(lines: &'a [Value], kind: &str) -> Vec<&'a Value> {
    lines.iter().filter(|line| line["event"]["kind"] == kind).collect()
}

fn millis(span: &Value) -> f64 {
    span.as_f64().expect("a time") / 1e6
}

/// Moments from a fixed linear congruential sequence (Numerical Recipes' constants, from memory).
struct Moments(u32);

impl Moments {
    fn next(&mut self, low: i64, high: i64) -> Span {
        self.0 = self.0.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
        Span::from_millis(low + i64::from(self.0 >> 8) % (high - low + 1))
    }
}

/// Lets real time pass: a plug is pulled by a hand, not by an event.
fn pass(time: Span) {
    let clock = Clock::real();
    let until = clock.now() + time;
    clock::block_on(async { clock.sleep_until(until).await }).expect("a runtime");
}

#[test]
fn the_demonstration_passes_over_a_port_as_it_was_rehearsed() {
    let garage = Garage::with(warm(3));
    let running = garage.run(&program(), "hold-demo", &["--consent", "idle_valve"]);
    let (code, lines) = running.finish();
    assert_eq!(code, Some(0), "{:#?}", lines.last());
    let end = lines.last().expect("it says how it ended");
    let path = std::path::PathBuf::from(end["path"].as_str().expect("it is recorded"));
    let session = record::read_session(&path).expect("it is readable");
    assert_eq!(session.card.ending, Some(Ending::Passed));
    let log = garage.finish();
    let held = log.iter().filter(|one| matches!(one, Happened::Held { .. })).count();
    let released = log.iter().filter(|one| matches!(one, Happened::Released { .. })).count();
    assert!(held >= 1 && released == 1, "{held} {released}");

    // The same car, rehearsed.
    let bench = Bench::with(warm(3));
    let shipped = procedure::scripts::shipped("hold-demo").expect("it is shipped");
    let plan = bench.plan(shipped.file, shipped.text).expect("it is in order");
    let rehearsed = bench.run(&plan, Hooks::default()).expect("it does not crash");
    let real = of_kind(&lines, "wire_times")[0]["event"].clone();
    let exchanges = |lines: &[Value]| of_kind(lines, "wire_tally")[0]["event"]["exchanges"].as_f64();
    let rate = exchanges(&lines).expect("a count") / end["engine_seconds"].as_f64().expect("a time");
    let predicted = rehearsed.driver.tally.exchanges as f64 / rehearsed.length.as_secs_f64();
    let planned = rehearsed.driver.times.exchanges();
    report(&format!(
        "over the port {rate:.3} exchanges a second, rehearsed {predicted:.3}; an exchange {:.2} ms (median), rehearsed \
         {:.2} ms; late at a request (P3) {:.3} ms (median) {:.3} ms (99 %), within one (P4) {:.3} ms {:.3} ms, rehearsed 0",
        millis(&real["exchange"]["median"]),
        planned.median.as_millis_f64(),
        millis(&real["request_late"]["median"]),
        millis(&real["request_late"]["p99"]),
        millis(&real["character_late"]["median"]),
        millis(&real["character_late"]["p99"]),
    ));
    assert_eq!(rehearsed.ending, Ending::Passed);
}

#[test]
fn ctrl_c_at_any_moment_twice_gives_back_records_and_ends_as_stopped() {
    let garage = Garage::with(warm(5));
    let mut moments = Moments(11);
    for i in 0..12 {
        let mut running = garage.run(&program(), HOLDER, &["--consent", "idle_valve"]);
        running.until("session_started");
        // The first ones while the link comes up, the later ones while the valve is held.
        pass(moments.next(0, 250 * i));
        running.interrupt();
        pass(moments.next(0, 60));
        running.interrupt();
        let (code, lines) = running.finish();
        assert_eq!(code, Some(3), "run {i}: {:#?}", lines.last());
        let path = lines.last().and_then(|end| end["path"].as_str()).expect("it is recorded").to_string();
        let session = record::read_session(std::path::Path::new(&path)).expect("it is readable");
        assert_eq!(session.card.ending, Some(Ending::Stopped), "run {i}");
        let at = |want: &dyn Fn(&Event) -> bool| session.events.iter().find(|e| want(&e.event)).map(|e| e.at);
        let releasing = at(&|event| matches!(event, Event::HoldReleasing { .. }));
        let released = at(&|event| matches!(event, Event::HoldReleased { .. }));
        assert_eq!(releasing.is_some(), released.is_some(), "run {i}");
        if let Some(took) = released.zip(releasing).map(|(to, from)| to.since(from)) {
            // Three seconds of tries, then the controller's own five and their tolerance.
            assert!(took < Span::from_millis(8_500), "run {i}: {took}");
            let sure = |event: &Event| matches!(event, Event::HoldReleased { proof, .. } if *proof != ReleaseProof::None);
            assert!(at(&sure).is_some(), "run {i}");
        }
    }
    let log = garage.finish();
    let mut held = false;
    for one in &log {
        match one {
            Happened::Held { .. } => held = true,
            Happened::Released { .. } => held = false,
            _ => {}
        }
    }
    assert!(log.iter().any(|one| matches!(one, Happened::Held { .. })), "some of them held the valve");
    assert!(!held, "the valve is the controller's again");
}

#[test]
fn a_killed_run_is_followed_by_one_that_releases_first_and_recovers_the_record() {
    let garage = Garage::with(warm(7));
    let mut running = garage.run(&program(), HOLDER, &["--consent", "idle_valve"]);
    running.until("hold_engaged");
    running.kill();
    let mut again = garage.run(&program(), LOOKER, &[]);
    again.until("hold_released");
    again.until("link_up");
    again.interrupt();
    let (code, lines) = again.finish();
    assert_eq!(code, Some(3), "{:#?}", lines.last());
    let kept = walk(&garage_sessions(&lines));
    assert_eq!(kept.len(), 2, "{kept:?}");
    let recovered = kept.iter().filter(|path| record::read_session(path).expect("readable").card.recovered);
    assert_eq!(recovered.count(), 1);
    let log = garage.finish();
    let requests: Vec<&Vec<u8>> = log
        .iter()
        .filter_map(|one| if let Happened::Request { bytes, .. } = one { Some(bytes) } else { None })
        .collect();
    // The bench car's description: 30 51 07 takes the valve over, 30 51 00 gives it back.
    let engaged = requests.iter().rposition(|data| holds(data, &[0x30, 0x51, 0x07])).expect("it was held");
    let released =
        requests.iter().rposition(|data| holds(data, &[0x30, 0x51, 0x00])).expect("it was released");
    // What the killed run still read lies between; the new one wakes nobody before it releases.
    let between = &requests[engaged + 1..released];
    assert!(!between.iter().any(|data| holds(data, &[0xF1, 0x81])), "{between:02X?}");
}

#[test]
fn where_nothing_can_be_recorded_what_a_killed_run_held_is_given_back_all_the_same() {
    let garage = Garage::with(warm(8));
    let mut running = garage.run(&program(), HOLDER, &["--consent", "idle_valve"]);
    running.until("hold_engaged");
    running.kill();
    // No session can begin: a file lies where open sessions have their folder.
    let open = garage.archive().join(".open");
    std::fs::rename(&open, garage.archive().join("moved")).expect("it is there");
    std::fs::write(&open, "in the way").expect("the archive can be written to");
    let (code, lines) = garage.run(&program(), LOOKER, &[]).finish();
    assert_ne!(code, Some(0), "{lines:#?}");
    let log = garage.finish();
    let request = |bytes: &[u8]| {
        log.iter().any(|one| matches!(one, Happened::Request { bytes: data, .. } if holds(data, bytes)))
    };
    assert!(request(&[0x30, 0x51, 0x07]) && request(&[0x30, 0x51, 0x00]), "held, and released by request");
}

/// Whether a message holds these bytes.
fn holds(message: &[u8], bytes: &[u8]) -> bool {
    message.windows(bytes.len()).any(|window| window == bytes)
}

/// The folder in which a run's session lies with its neighbours.
fn garage_sessions(lines: &[Value]) -> std::path::PathBuf {
    let path = lines.last().and_then(|end| end["path"].as_str()).expect("it is recorded");
    std::path::Path::new(path).parent().expect("it lies in a folder").to_path_buf()
}

fn walk(folder: &std::path::Path) -> Vec<std::path::PathBuf> {
    std::fs::read_dir(folder).expect("it is there").map(|entry| entry.expect("readable").path()).collect()
}

#[test]
fn a_port_pulled_and_put_back_a_hundred_times_is_a_hundred_gaps_in_one_record() {
    const PULLS: usize = 100;
    let garage = Garage::with(warm(9));
    let mut running = garage.run(&program(), LOOKER, &[]);
    let mut moments = Moments(3);
    let clock = Clock::real();
    let begun = clock.now();
    running.until("link_up");
    for _ in 0..PULLS {
        pass(moments.next(0, 150));
        garage.act(Act::Unplug);
        running.until("link_down");
        pass(moments.next(0, 150));
        garage.act(Act::Plug);
        running.until("link_up");
    }
    let (ticks, took) = (running.ticks(), clock.now().since(begun));
    running.interrupt();
    let (code, lines) = running.finish();
    report(&format!("{PULLS} pulls in {took}: {:.1} % of one core", ticks as f64 / took.as_secs_f64()));
    assert_eq!(code, Some(3), "{:#?}", lines.last());
    let path = lines.last().and_then(|end| end["path"].as_str()).expect("it is recorded").to_string();
    let session = record::read_session(std::path::Path::new(&path)).expect("it is readable");
    let count = |want: &dyn Fn(&Event) -> bool| session.events.iter().filter(|e| want(&e.event)).count();
    assert_eq!(count(&|event| matches!(event, Event::LinkDown { .. })), PULLS);
    assert_eq!(count(&|event| matches!(event, Event::LinkUp { .. })), PULLS + 1);
    // Nothing is read in a gap.
    let mut gaps = Vec::new();
    let mut down = None;
    for one in &session.events {
        match one.event {
            Event::LinkDown { .. } => down = Some(one.at),
            Event::LinkUp { .. } => gaps.extend(down.take().map(|from| (from, one.at))),
            _ => {}
        }
    }
    for sample in session.samples().expect("samples") {
        let at = sample.expect("a good sample").at;
        assert!(!gaps.iter().any(|(from, to)| *from < at && at < *to), "a reading at {at:?} lies in a gap");
    }
    garage.finish();
}
