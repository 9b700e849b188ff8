//! The scripts that come with the program, each on its own.

use insta::assert_snapshot;
use model::event::Outcome;
use model::{Command, Ending, Estimate, Reply, Unit, Word};
use procedure::scripts::{SHIPPED, shipped};
use procedure::{Limits, compile, header};

use crate::fake::{station, told, try_run, waited};

#[test]
fn every_shipped_script_compiles_and_bears_its_name() {
    for script in SHIPPED {
        let compiled = compile(script.file, script.text, &Limits::default()).unwrap();
        assert_eq!(header(&compiled, &Limits::default()).unwrap().name, script.name);
        assert_eq!(script.file, format!("{}.rhai", script.name.replace('-', "_")));
    }
    let folder = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("../../scripts");
    let mut files: Vec<String> = std::fs::read_dir(folder)
        .unwrap()
        .map(|entry| entry.unwrap().file_name().into_string().unwrap())
        .filter(|name| name.ends_with(".rhai"))
        .collect();
    files.sort();
    assert_eq!(files, SHIPPED.iter().map(|s| s.file).collect::<Vec<_>>(), "a script is not shipped");
    assert!(shipped("hold-demo").is_some() && shipped("none").is_none());
}

/// The idle while the valve is held, with the fake car's interval; anything else as the fake car says.
fn held_idle(command: &Command, rpm: f64) -> Option<Reply> {
    idle("idle held", command, rpm)
}

fn idle(which: &str, command: &Command, rpm: f64) -> Option<Reply> {
    let Command::Measure { name, .. } = command else { return None };
    let unit = Unit::new("{rev}/min").expect("a UCUM code");
    let estimate = Estimate { value: rpm, low: rpm - 4.0, high: rpm + 4.0, unit };
    (name == which).then_some(Reply::Measured { estimate: Some(estimate), readings: 25, rate: 5.0 })
}

#[test]
fn the_hold_demonstration_does_not_pass_an_idle_that_does_not_follow() {
    // 5 r/min are less than the two intervals together can tell from nothing.
    for rpm in [850.0, 855.0, 800.0] {
        let (ask, _) = station(move |_, command| held_idle(command, rpm));
        let report = try_run(shipped("hold-demo").unwrap().text, ask);
        assert_eq!(report.ending, Ending::CarNotRight, "{rpm}: {report:?}");
        assert!(report.why.contains("did not follow"), "{}", report.why);
    }
}

#[test]
fn the_hold_demonstration_does_not_pass_an_idle_that_does_not_come_back() {
    let (ask, _) =
        station(|_, command| held_idle(command, 940.0).or_else(|| idle("idle after", command, 938.0)));
    let report = try_run(shipped("hold-demo").unwrap().text, ask);
    assert_eq!(report.ending, Ending::CarNotRight, "{report:?}");
    assert!(report.why.contains("did not come back"), "{}", report.why);
}

#[test]
fn the_hold_demonstration_passes_on_a_healthy_car() {
    let (ask, log) = station(|_, command| held_idle(command, 940.0));
    let report = try_run(shipped("hold-demo").unwrap().text, ask);
    assert_snapshot!(told(&report, &log), @r#"
    passed
    > caution 6
    > poll 6 every 200 ms
    > begin warm
    > wait coolant up to 30 min 0 s
    > end warm: passed
    > begin before
    > wait rpm up to 3 min 0 s
    > measure rpm 'idle before' 5.0 s
    > note idle_before Estimate(Estimate { value: 850.0, low: 846.0, high: 854.0, unit: Unit("{rev}/min") })
    > end before: passed
    > begin hold
    > latest idle_valve 2.0 s
    > engage idle_valve 120 steps 20.0 s guards=1
    > wait idle_valve up to 4.0 s
    > wait rpm up to 9.0 s
    > measure rpm 'idle held' 4.0 s
    > note idle_held Estimate(Estimate { value: 940.0, low: 936.0, high: 944.0, unit: Unit("{rev}/min") })
    > release idle_valve
    > end hold: passed
    > begin after
    > wait rpm up to 3 min 0 s
    > measure rpm 'idle after' 5.0 s
    > note idle_after Estimate(Estimate { value: 850.0, low: 846.0, high: 854.0, unit: Unit("{rev}/min") })
    > end after: passed
    > begin verdict
    > end verdict: passed
    > remark Idle before 850.0 ± 4.0 r/min, held 940.0 ± 4.0 r/min, after 850.0 ± 4.0 r/min.
    > remark Opening the valve changed the idle by 90.0 ± 5.7 r/min; afterwards it was 0.0 ± 5.7 r/min from where it began.
    "#);
}

#[test]
fn the_hold_demonstration_gives_the_valve_back_when_the_idle_does_not_settle() {
    let mut waits = 0;
    let (ask, log) = station(move |_, command| {
        waits += usize::from(matches!(command, Command::Wait { .. }));
        (waits == 4)
            .then(|| waited("rpm", Outcome::TimedOut, Word::Outside))
            .filter(|_| matches!(command, Command::Wait { .. }))
    });
    let report = try_run(shipped("hold-demo").unwrap().text, ask);
    assert_eq!(report.ending, Ending::CarNotRight);
    let words = log.words();
    assert_eq!(words[words.len() - 2..], ["release idle_valve", "end hold: the car is not right"]);
}
