//! What single conditions and their combinations say, on an invented car.

use holdgate_signal::{ConditionJudge, GateError, Verdict};
use model::judgement::Finding;
use model::{Condition, Moment, Quality, Quantity, Span, Watch, Word};

use crate::world::{Noise, above, at, facts, id, quantity, sample, watch, within};

fn refusal(condition: &Condition) -> GateError {
    ConditionJudge::new(condition, &facts(), Moment::ZERO).unwrap_err()
}

#[test]
fn hysteresis_holds_what_was_reached() {
    let condition = Condition::Above {
        watch: watch("rpm", 0.05, 0.5),
        level: quantity(1000.0, "/min"),
        hysteresis: Some(quantity(50.0, "/min")),
    };
    let mut judge = ConditionJudge::new(&condition, &facts(), Moment::ZERO).unwrap();
    let words: Vec<Word> = [960.0, 1001.0, 960.0, 940.0, 960.0]
        .into_iter()
        .enumerate()
        .map(|(i, value)| {
            let t = i as f64 * 0.2;
            judge.sample(&sample("rpm", t, value));
            judge.word(at(t))
        })
        .collect();
    assert_eq!(words, [Word::Outside, Word::Proven, Word::Proven, Word::Outside, Word::Outside]);
}

#[test]
fn hysteresis_proves_only_what_was_proven_at_the_narrow_edge() {
    // 1000.3 with counts of one lies above 1000 but is not proven so; 999 within the hysteresis is no proof.
    let condition = Condition::Above {
        watch: watch("rpm", 0.05, 0.5),
        level: quantity(1000.0, "/min"),
        hysteresis: Some(quantity(50.0, "/min")),
    };
    let mut judge = ConditionJudge::new(&condition, &facts(), Moment::ZERO).unwrap();
    for (t, value) in [(0.0, 1000.3), (0.2, 1000.3), (0.4, 999.0)] {
        judge.sample(&sample("rpm", t, value));
        assert_eq!(judge.word(at(t)), Word::Inside, "{value}");
    }
}

#[test]
fn a_hole_in_the_readings_begins_the_window_anew() {
    let rising = Condition::Rising { watch: watch("rpm", 5.0, 0.5), by: quantity(50.0, "/min") };
    let mut judge = ConditionJudge::new(&rising, &facts(), Moment::ZERO).unwrap();
    for i in 0..50 {
        judge.sample(&sample("rpm", f64::from(i) * 0.1, 800.0 + 10.0 * f64::from(i)));
    }
    assert_eq!(judge.word(at(4.9)), Word::Proven);
    judge.sample(&sample("rpm", 6.0, 1_400.0));
    assert_eq!(judge.word(at(6.0)), Word::Unknown);
    assert_eq!(judge.findings(at(6.0))[0].because, "1 of 4 readings");
}

#[test]
fn all_any_and_not_join_words_as_the_design_says() {
    // Coolant reads 90 (proven above 75); the throttle has no reading (unknown); rpm reads 800.
    let word = |condition: Condition| {
        let mut judge = ConditionJudge::new(&condition, &facts(), Moment::ZERO).unwrap();
        judge.sample(&sample("coolant", 0.0, 90.0));
        judge.sample(&sample("rpm", 0.0, 800.0));
        judge.word(at(0.1))
    };
    let yes = || above("coolant", 75.0, "Cel");
    let perhaps = || above("coolant", 89.7, "Cel");
    let no = || above("rpm", 1000.0, "/min");
    let unknown = || above("throttle", 1.0, "V");
    let not = |c: Condition| Condition::Not { of: Box::new(c) };
    let all = |of: Vec<Condition>| Condition::All { of };
    let any = |of: Vec<Condition>| Condition::Any { of };
    for (condition, expected) in [
        (all(vec![yes(), perhaps()]), Word::Inside),
        (all(vec![yes(), unknown()]), Word::Unknown),
        (all(vec![no(), unknown()]), Word::Outside),
        (any(vec![yes(), unknown()]), Word::Proven),
        (any(vec![no(), unknown()]), Word::Unknown),
        (any(vec![no(), perhaps()]), Word::Inside),
        (not(yes()), Word::Outside),
        (not(no()), Word::Proven),
        (not(perhaps()), Word::Outside),
        (not(above("coolant", 90.2, "Cel")), Word::Inside),
        (not(unknown()), Word::Unknown),
        (not(all(vec![no(), unknown()])), Word::Proven),
        (not(any(vec![yes(), unknown()])), Word::Outside),
        (not(not(perhaps())), Word::Inside),
    ] {
        assert_eq!(word(condition.clone()), expected, "{condition:?}");
    }
}

fn finding(condition: &Condition, values: &[f64]) -> Finding {
    let mut judge = ConditionJudge::new(condition, &facts(), Moment::ZERO).unwrap();
    let channel = judge.channels()[0].clone();
    for (i, value) in values.iter().enumerate() {
        judge.sample(&sample(channel.as_str(), i as f64 * 0.1, *value));
    }
    judge.findings(at((values.len().max(1) - 1) as f64 * 0.1)).remove(0)
}

#[test]
fn findings_tell_target_gap_age_and_reason() {
    let cold = finding(&above("coolant", 75.0, "Cel"), &[60.0; 5]);
    assert_eq!((cold.target.as_str(), cold.word), ("above 75 °C", Word::Outside));
    assert!((cold.gap.unwrap() - 15.0).abs() < 1e-9 && cold.age == Some(Span::ZERO));

    let high = finding(&within("battery", 13.2, 14.8, "V"), &[15.0; 5]);
    assert_eq!((high.target.as_str(), high.word), ("within 13.2 to 14.8 V", Word::Outside));
    assert!((high.gap.unwrap() + 0.2).abs() < 1e-9, "{high:?}");

    // The sensor's window is less than one count wide: 0.5 V to 0.51 V, with counts of 0.0196 V.
    let narrow = finding(&within("throttle", 500.0, 510.0, "mV"), &[0.505; 5]);
    assert_eq!(narrow.word, Word::Inside, "{narrow:?}");
    assert_eq!(narrow.because, "window narrower than one count of 0.0196 V: cannot be proven");

    let steady = Condition::Steady { watch: watch("rpm", 3.0, 0.5), band: quantity(20.0, "/min") };
    let few = finding(&steady, &[800.0; 3]);
    assert_eq!(
        (few.target.as_str(), few.because.as_str()),
        ("steady to 20 r/min over 3.0 s", "3 of 8 readings")
    );
    assert_eq!(finding(&steady, &[800.0; 12]).because, "window filled for 1.1 s of 3.0 s");
    let rising: Vec<f64> = (0..31).map(|i| 800.0 + 10.0 * f64::from(i)).collect();
    let moving = finding(&steady, &rising);
    assert!(moving.word == Word::Outside && moving.because.starts_with("+300 r/min ± "), "{moving}");

    let mut old = ConditionJudge::new(&above("coolant", 75.0, "Cel"), &facts(), Moment::ZERO).unwrap();
    old.sample(&sample("coolant", 0.0, 90.0));
    let mut bad = sample("coolant", 0.2, 500.0);
    bad.quality = Quality::Implausible;
    old.sample(&bad);
    let stale = old.findings(at(2.1)).remove(0);
    assert_eq!((stale.word, stale.gap), (Word::Unknown, None));
    assert_eq!(stale.because, "last reading 2.1 s old; value implausible");
}

#[test]
fn shared_uncertainty_keeps_a_narrow_window_from_being_proven() {
    // The battery channel shares 0.01 V: a window of 0.03 V is narrower than +-0.0196 V, whatever is averaged.
    let mut noise = Noise(1);
    let values: Vec<f64> = (0..11).map(|_| ((14.0 + 0.2 * noise.normal()) * 10.0).round() / 10.0).collect();
    let mean = values.iter().sum::<f64>() / 11.0;
    let tight = finding(&within("battery", mean - 0.015, mean + 0.015, "V"), &values);
    assert_eq!(tight.word, Word::Inside);
    assert_eq!(tight.because, "window narrower than the channel's own ± 0.0196 V: cannot be proven");
}

#[test]
fn changes_are_judged_over_the_window() {
    let verdict = |condition: &Condition, value: &dyn Fn(f64) -> f64| {
        let mut judge = ConditionJudge::new(condition, &facts(), Moment::ZERO).unwrap();
        for i in 0..=60 {
            let t = f64::from(i) * 0.1;
            judge.sample(&sample("coolant", t, value(t).round()));
        }
        (judge.verdict(at(6.0)), judge.findings(at(6.0)).remove(0))
    };
    let rising = Condition::Rising { watch: watch("coolant", 5.0, 0.5), by: quantity(8.0, "K") };
    let falling = Condition::Falling { watch: watch("coolant", 5.0, 0.5), by: quantity(8.0, "K") };
    // Two degrees a second are ten over the window of five seconds.
    assert_eq!(verdict(&rising, &|t| 20.0 + 2.0 * t).0, Verdict::ProvenInside);
    assert_eq!(verdict(&falling, &|t| 90.0 - 2.0 * t).0, Verdict::ProvenInside);
    assert_eq!(verdict(&falling, &|t| 20.0 + 2.0 * t).0, Verdict::ProvenOutside);
    let (slow, said) = verdict(&rising, &|t| 20.0 + 0.4 * t);
    assert_eq!(slow, Verdict::ProvenOutside);
    assert!((said.gap.unwrap() - 6.0).abs() < 1.0, "{said}");

    let changed = Condition::Changed { watch: watch("coolant", 1.0, 0.5), by: quantity(5.0, "K") };
    let (moved, _) = verdict(&changed, &|t| if t < 3.0 { 60.0 } else { 50.0 });
    assert_eq!(moved, Verdict::ProvenInside);
    let (rested, said) = verdict(&changed, &|_| 60.0);
    assert_eq!((rested, said.gap), (Verdict::ProvenOutside, Some(5.0)));
    assert_eq!(finding(&changed, &[60.0; 3]).word, Word::Unknown);
}

#[test]
fn mistakes_are_refused_before_anything_is_waited_for() {
    let GateError::UnknownChannel { channel, nearest } = refusal(&above("colant", 75.0, "Cel")) else {
        panic!()
    };
    assert_eq!((channel, nearest), (id("colant"), Some(id("coolant"))));
    assert!(matches!(refusal(&above("coolant", 75.0, "V")), GateError::Unit { .. }));
    let watched = |over: f64, fresh: f64| Condition::Above {
        watch: Watch { ..watch("rpm", over, fresh) },
        level: quantity(1.0, "/min"),
        hysteresis: Some(Quantity::new(-1.0, quantity(0.0, "/min").unit)),
    };
    let deep = (0..20).fold(above("rpm", 1.0, "/min"), |c, _| Condition::Not { of: Box::new(c) });
    let wide = Condition::Any { of: vec![above("rpm", 1.0, "/min"); 65] };
    for (condition, why) in [
        (within("rpm", 900.0, 800.0, "/min"), "is empty"),
        (above("rpm", f64::NAN, "/min"), "not a finite number"),
        (Condition::All { of: vec![] }, "nothing in it"),
        (watched(0.0, 1.0), "window of 0 ms"),
        (watched(1.0, -1.0), "freshness"),
        (watched(1.0, 1.0), "hysteresis is below zero"),
        (Condition::Steady { watch: watch("rpm", 1.0, 1.0), band: quantity(0.0, "/min") }, "not above zero"),
        (deep, "deeper than 16"),
        (wide, "more than 64"),
    ] {
        let error = refusal(&condition).to_string();
        assert!(error.contains(why), "{error}");
    }
}

#[test]
fn a_level_in_another_unit_is_the_same_level() {
    let mut judge = ConditionJudge::new(&above("coolant", 167.0, "[degF]"), &facts(), Moment::ZERO).unwrap();
    for (t, value, word) in [(0.0, 60.0, Word::Outside), (2.0, 90.0, Word::Proven)] {
        judge.sample(&sample("coolant", t, value));
        assert_eq!(judge.word(at(t)), word);
    }
}
