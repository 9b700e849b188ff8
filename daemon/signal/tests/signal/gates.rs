//! What gates do, told as small stories on an invented car.

use holdgate_signal::GateJudge;
use model::event::Outcome;
use model::{Condition, Demand, Gate, Moment, Span, Word};

use crate::world::{above, at, facts, id, quantity, sample, watch};

fn gate(condition: Condition, demand: Demand, dwell: f64, dropout: f64, limit: f64) -> Gate {
    let s = Span::from_secs_f64;
    Gate { condition, demand, dwell: s(dwell), dropout: s(dropout), limit: s(limit) }
}

fn arm(gate: &Gate) -> GateJudge {
    GateJudge::new(gate, &facts(), Moment::ZERO).unwrap()
}

/// Feeds readings every 0.1 s from `from` to before `to`, asking after each; gives the first outcome.
fn run(
    judge: &mut GateJudge,
    from: f64,
    to: f64,
    channel: &str,
    value: impl Fn(f64) -> f64,
) -> Option<(f64, Outcome)> {
    for i in 0..((to - from) * 10.0).round() as i32 {
        let t = from + f64::from(i) * 0.1;
        judge.sample(&sample(channel, t, value(t)));
        if let Some((outcome, _)) = judge.outcome(at(t)) {
            return Some((t, outcome));
        }
    }
    None
}

#[test]
fn a_gate_is_met_when_readings_cover_its_dwell() {
    let mut judge = arm(&gate(above("coolant", 75.0, "Cel"), Demand::Proven, 2.0, 0.3, 60.0));
    assert_eq!(judge.channels(), [id("coolant")]);
    let (t, outcome) = run(&mut judge, 0.0, 10.0, "coolant", |t| if t < 3.0 { 60.0 } else { 90.0 }).unwrap();
    assert_eq!(outcome, Outcome::Met);
    // The window of 1 s must first be clear of the cold readings, then pass for 2 s.
    assert!(t > 5.5 && t < 6.1, "{t}");
}

#[test]
fn time_after_the_newest_reading_is_not_credited() {
    let mut judge = arm(&gate(above("coolant", 75.0, "Cel"), Demand::Inside, 0.4, 1.0, 60.0));
    assert_eq!(run(&mut judge, 0.0, 0.3, "coolant", |_| 90.0), None);
    assert!(judge.outcome(at(0.69)).is_none(), "0.2 s of readings were taken for 0.4 s");
    assert_eq!(judge.judge(at(0.69)).dwelt, Span::from_millis(200));
}

#[test]
fn a_short_dropout_pauses_and_a_long_one_begins_anew() {
    for hole in [0.8, 1.6] {
        // Readings stop at 1.0; they are stale 0.5 s after the last, and a dropout may last 0.6 s.
        let mut judge = arm(&gate(above("coolant", 75.0, "Cel"), Demand::Inside, 2.0, 0.6, 60.0));
        assert_eq!(run(&mut judge, 0.0, 1.05, "coolant", |_| 90.0), None);
        let (t, outcome) = run(&mut judge, 1.0 + hole, 9.0, "coolant", |_| 90.0).unwrap();
        assert_eq!(outcome, Outcome::Met);
        let expected = if hole < 1.0 { 1.0 + hole + 1.0 } else { 1.0 + hole + 2.0 };
        assert!((t - expected).abs() < 0.11, "hole of {hole} s: met at {t}");
    }
}

#[test]
fn a_definite_no_begins_anew_even_between_two_looks() {
    let mut judge = arm(&gate(
        Condition::Above { watch: watch("rpm", 0.05, 0.5), level: quantity(500.0, "/min"), hysteresis: None },
        Demand::Inside,
        1.0,
        0.5,
        60.0,
    ));
    for i in 0..20 {
        // Nobody looks while one reading dips.
        judge.sample(&sample("rpm", f64::from(i) * 0.1, if i == 12 { 300.0 } else { 800.0 }));
    }
    assert!(judge.outcome(at(1.9)).is_none());
    assert_eq!(judge.judge(at(1.9)).dwelt, Span::from_millis(600));
}

#[test]
fn a_long_dropout_brings_the_narrow_edges_back() {
    let condition = Condition::Above {
        watch: watch("rpm", 0.05, 0.5),
        level: quantity(1000.0, "/min"),
        hysteresis: Some(quantity(50.0, "/min")),
    };
    // Stale 0.5 s after the reading at 0; a dropout may last 0.3 s.
    for (back_at, word) in [(0.7, Word::Proven), (0.9, Word::Outside)] {
        let mut judge = arm(&gate(condition.clone(), Demand::Inside, 5.0, 0.3, 60.0));
        judge.sample(&sample("rpm", 0.0, 1001.0));
        judge.sample(&sample("rpm", back_at, 960.0));
        assert_eq!(judge.word(at(back_at)), word, "back at {back_at} s");
    }
}

#[test]
fn a_reading_ahead_of_the_clock_earns_no_dwell() {
    let mut judge = arm(&gate(above("coolant", 75.0, "Cel"), Demand::Inside, 5.0, 20.0, 60.0));
    for t in [1.0, 1.4, 1.8, 2.2, 2.6, 3.0, 3.4, 3.8, 4.2, 4.6, 5.0, 5.4, 5.8, 6.2] {
        judge.sample(&sample("coolant", t, 90.0));
    }
    let early = judge.judge(at(1.1));
    assert_eq!((early.word, early.dwelt), (Word::Unknown, Span::ZERO));
    judge.sample(&sample("coolant", 1.2, 90.0));
    assert_eq!(judge.outcome(at(1.2)), None);
}

#[test]
fn readings_after_the_limit_come_too_late() {
    let condition =
        Condition::Above { watch: watch("rpm", 0.05, 0.5), level: quantity(500.0, "/min"), hysteresis: None };
    let mut judge = arm(&gate(condition, Demand::Inside, 2.0, 0.5, 3.0));
    for i in 0..41 {
        let t = f64::from(i) * 0.1;
        judge.sample(&sample("rpm", t, if t < 1.45 { 300.0 } else { 800.0 }));
    }
    let (outcome, judged) = judge.outcome(at(4.0)).unwrap();
    assert_eq!((outcome, judged.dwelt), (Outcome::TimedOut, Span::from_millis(1_500)));
}

#[test]
fn at_the_limit_the_outcome_says_whether_the_readings_could_say() {
    let new = |demand| arm(&gate(above("coolant", 75.0, "Cel"), demand, 0.0, 0.5, 3.0));
    let mut cold = new(Demand::Inside);
    assert_eq!(run(&mut cold, 0.0, 4.0, "coolant", |_| 60.0).unwrap().1, Outcome::TimedOut);
    let mut silent = new(Demand::Inside);
    assert_eq!(silent.outcome(at(2.9)), None);
    assert_eq!(silent.outcome(at(3.0)).unwrap().0, Outcome::Unknown);
    // 75.3 with counts one degree wide lies above 75, but that is not proven.
    let mut close = new(Demand::Proven);
    assert_eq!(run(&mut close, 0.0, 4.0, "coolant", |_| 75.3).unwrap().1, Outcome::Unknown);
    assert_eq!(run(&mut new(Demand::Inside), 0.0, 4.0, "coolant", |_| 75.3).unwrap().1, Outcome::Met);
}

#[test]
fn an_ending_stays_what_it_was() {
    let mut judge = arm(&gate(above("coolant", 75.0, "Cel"), Demand::Inside, 0.0, 0.5, 3.0));
    assert_eq!(run(&mut judge, 0.0, 1.0, "coolant", |_| 90.0).unwrap().1, Outcome::Met);
    judge.link(false, at(1.0));
    assert_eq!(judge.outcome(at(9.0)).unwrap().0, Outcome::Met);
    assert_eq!(judge.deadline(), Moment::NEVER);
}

#[test]
fn with_the_link_down_all_is_unknown_and_old_readings_do_not_come_back() {
    let mut judge = arm(&gate(above("coolant", 75.0, "Cel"), Demand::Inside, 5.0, 0.5, 60.0));
    assert_eq!(run(&mut judge, 0.0, 1.0, "coolant", |_| 90.0), None);
    judge.link(false, at(1.0));
    let judged = judge.judge(at(1.01));
    assert_eq!((judged.word, judged.findings[0].because.as_str()), (Word::Unknown, "link down"));
    judge.link(true, at(1.2));
    assert_eq!(judge.judge(at(1.2)).word, Word::Unknown);
    // Read before the link came back, arrived after.
    judge.sample(&sample("coolant", 1.1, 90.0));
    assert_eq!(judge.judge(at(1.25)).word, Word::Unknown);
    judge.sample(&sample("coolant", 1.3, 90.0));
    assert_eq!(judge.judge(at(1.3)).word, Word::Proven);
}

#[test]
fn deadlines_are_the_moments_at_which_time_alone_changes_the_answer() {
    let mut judge = arm(&gate(above("coolant", 75.0, "Cel"), Demand::Inside, 5.0, 0.3, 60.0));
    assert_eq!(judge.deadline(), at(60.0));
    judge.sample(&sample("coolant", 1.0, 90.0));
    judge.outcome(at(1.0));
    let stale = judge.deadline();
    assert_eq!(stale, at(1.5) + Span::from_nanos(1));
    assert_eq!(judge.word(at(1.5)), Word::Proven);
    assert_eq!(judge.word(stale), Word::Unknown);
    assert_eq!(judge.deadline(), stale + Span::from_millis(300));
    judge.outcome(judge.deadline());
    assert_eq!(judge.deadline(), at(60.0));
    assert!(judge.outcome(judge.deadline()).is_some());
}

#[test]
fn a_slow_channel_does_not_lend_its_time_to_a_fast_one() {
    // Coolant is read once a second, rpm ten times; rpm passes from 2.6 s on, a dwell of 1 s is asked.
    let condition = Condition::All {
        of: vec![
            Condition::Above {
                watch: watch("coolant", 2.0, 3.0),
                level: quantity(75.0, "Cel"),
                hysteresis: None,
            },
            Condition::Above {
                watch: watch("rpm", 0.05, 0.5),
                level: quantity(500.0, "/min"),
                hysteresis: None,
            },
        ],
    };
    let mut judge = arm(&gate(condition, Demand::Inside, 1.0, 0.5, 60.0));
    let mut met = None;
    for i in 0..80 {
        let t = f64::from(i) * 0.1;
        if i % 10 == 0 {
            judge.sample(&sample("coolant", t, 90.0));
        }
        judge.sample(&sample("rpm", t, if t < 2.55 { 0.0 } else { 800.0 }));
        if judge.outcome(at(t)).is_some_and(|(outcome, _)| outcome == Outcome::Met) {
            met.get_or_insert(t);
        }
    }
    assert!(met.is_some_and(|t| (3.6..=4.1).contains(&t)), "{met:?}");
}

#[test]
fn spans_that_make_no_sense_are_refused() {
    for (dwell, dropout, limit, why) in [
        (1.0, 0.0, 0.0, "limit"),
        (-1.0, 0.0, 5.0, "below zero"),
        (1.0, -1.0, 5.0, "below zero"),
        (6.0, 0.0, 5.0, "shorter"),
    ] {
        let gate = gate(above("rpm", 1.0, "/min"), Demand::Inside, dwell, dropout, limit);
        let error = GateJudge::new(&gate, &facts(), Moment::ZERO).unwrap_err().to_string();
        assert!(error.contains(why), "{error}");
    }
}
