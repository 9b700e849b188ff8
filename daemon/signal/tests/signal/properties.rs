//! What must hold whatever comes in.

use holdgate_signal::stats::{fit_line, moments};
use holdgate_signal::{ConditionJudge, GateJudge};
use model::event::Outcome;
use model::{Condition, Demand, Gate, Moment, Quality, Sample, Span, Uncertainty, Watch, Word};
use proptest::prelude::*;

use crate::world::{facts, id, quantity};

/// One thing that happens to a judge.
#[derive(Debug, Clone)]
enum Act {
    Sample(Sample),
    Link(bool, Moment),
    Ask(Moment),
}

fn any_moment() -> impl Strategy<Value = Moment> {
    prop_oneof![
        8 => (0..20_000i64).prop_map(|ms| Moment(ms * 1_000_000)),
        1 => any::<i64>().prop_map(Moment),
        1 => prop_oneof![Just(Moment(i64::MIN)), Just(Moment::NEVER), Just(Moment::ZERO)],
    ]
}

fn any_value() -> impl Strategy<Value = f64> {
    prop_oneof![8 => 0.0..2_000.0f64, 2 => (0..12i32).prop_map(f64::from), 1 => any::<f64>()]
}

fn any_sample() -> impl Strategy<Value = Sample> {
    let channel = prop_oneof![Just("rpm"), Just("coolant"), Just("throttle"), Just("stranger")];
    let quality =
        prop_oneof![8 => Just(Quality::Good), 1 => Just(Quality::Implausible), 1 => Just(Quality::Invalid)];
    let part = || prop_oneof![6 => Just(0.0), 2 => 0.0..5.0f64, 1 => any::<f64>()];
    (channel, any_moment(), any_value(), any::<i64>(), quality, (part(), part(), part())).prop_map(
        |(channel, at, value, raw, quality, (noise, resolution, shared))| Sample {
            channel: id(channel),
            at,
            time_uncertainty: Span::ZERO,
            raw,
            value,
            uncertainty: Uncertainty { noise, resolution, shared },
            quality,
        },
    )
}

fn any_act() -> impl Strategy<Value = Act> {
    prop_oneof![
        8 => any_sample().prop_map(Act::Sample),
        1 => (any::<bool>(), any_moment()).prop_map(|(up, at)| Act::Link(up, at)),
        3 => any_moment().prop_map(Act::Ask),
    ]
}

fn any_watch() -> impl Strategy<Value = Watch> {
    let channel = prop_oneof![Just("rpm"), Just("coolant"), Just("throttle")];
    let span =
        || prop_oneof![8 => (1..4_000i64).prop_map(Span::from_millis), 1 => (1..i64::MAX).prop_map(Span)];
    (channel, span(), span()).prop_map(|(channel, over, fresh)| Watch { channel: id(channel), over, fresh })
}

fn code(watch: &Watch) -> &'static str {
    match watch.channel.as_str() {
        "rpm" => "/min",
        "coolant" => "K",
        _ => "V",
    }
}

fn any_condition() -> impl Strategy<Value = Condition> {
    let leaf = (any_watch(), 0..7u8, 0.1..900.0f64, 0.1..300.0f64, 0.0..50.0f64).prop_map(
        |(watch, kind, a, b, h)| {
            let q = |x| quantity(x, code(&watch));
            let (level, by, hysteresis) = (q(a), q(b), Some(q(h)));
            match kind {
                0 => Condition::Above { watch, level, hysteresis },
                1 => Condition::Below { watch, level, hysteresis },
                2 => Condition::Within { high: q(a + b), low: level, hysteresis, watch },
                3 => Condition::Steady { watch, band: by },
                4 => Condition::Rising { watch, by },
                5 => Condition::Falling { watch, by },
                _ => Condition::Changed { watch, by },
            }
        },
    );
    leaf.prop_recursive(3, 8, 3, |inner| {
        prop_oneof![
            prop::collection::vec(inner.clone(), 1..4).prop_map(|of| Condition::All { of }),
            prop::collection::vec(inner.clone(), 1..4).prop_map(|of| Condition::Any { of }),
            inner.prop_map(|c| Condition::Not { of: Box::new(c) }),
        ]
    })
}

fn any_gate() -> impl Strategy<Value = Gate> {
    let ms = |range: std::ops::Range<i64>| range.prop_map(Span::from_millis);
    (any_condition(), any::<bool>(), ms(0..3_000), ms(0..2_000), ms(3_000..20_000)).prop_map(
        |(condition, proven, dwell, dropout, limit)| {
            let demand = if proven { Demand::Proven } else { Demand::Inside };
            Gate { condition, demand, dwell, dropout, limit }
        },
    )
}

/// A well-behaved stream: one channel read at irregular times, asked after each.
fn stream() -> impl Strategy<Value = Vec<(Moment, f64)>> {
    prop::collection::vec((1..400i64, -1.0..1.0f64), 1..120).prop_map(|steps| {
        let (mut t, mut value) = (0, 500.0);
        steps
            .into_iter()
            .map(|(gap, step)| {
                t += gap;
                value += 40.0 * step;
                (Moment(t * 1_000_000), f64::round(value))
            })
            .collect()
    })
}

fn reading(at: Moment, value: f64) -> Sample {
    let raw = value as i64;
    let (time_uncertainty, uncertainty, quality) = (Span::ZERO, Uncertainty::default(), Quality::Good);
    Sample { channel: id("rpm"), at, time_uncertainty, raw, value, uncertainty, quality }
}

fn on_rpm(condition: &mut Condition) {
    match condition {
        Condition::Above { watch, level: q, hysteresis: Some(h) }
        | Condition::Below { watch, level: q, hysteresis: Some(h) } => {
            (q.unit, h.unit) = (quantity(0.0, "/min").unit, quantity(0.0, "/min").unit);
            watch.channel = id("rpm");
        }
        Condition::Within { watch, low, high, hysteresis } => {
            for q in [Some(low), Some(high), hysteresis.as_mut()].into_iter().flatten() {
                q.unit = quantity(0.0, "/min").unit;
            }
            watch.channel = id("rpm");
        }
        Condition::Steady { watch, band: by }
        | Condition::Rising { watch, by }
        | Condition::Falling { watch, by }
        | Condition::Changed { watch, by } => {
            by.unit = quantity(0.0, "/min").unit;
            watch.channel = id("rpm");
        }
        Condition::All { of } | Condition::Any { of } => of.iter_mut().for_each(on_rpm),
        Condition::Not { of } => on_rpm(of),
        Condition::Above { .. } | Condition::Below { .. } => {}
    }
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 1_000, ..ProptestConfig::default() })]

    #[test]
    fn no_input_panics_and_deadlines_lie_ahead(gate in any_gate(), acts in prop::collection::vec(any_act(), 0..60)) {
        let mut judge = GateJudge::new(&gate, &facts(), Moment::ZERO).unwrap();
        let mut bare = ConditionJudge::new(&gate.condition, &facts(), Moment::ZERO).unwrap();
        let mut latest = Moment::ZERO;
        for act in acts {
            match act {
                Act::Sample(sample) => {
                    judge.sample(&sample);
                    bare.sample(&sample);
                }
                Act::Link(up, at) => {
                    judge.link(up, at);
                    bare.link(up, at);
                }
                Act::Ask(at) => {
                    latest = latest.max(at);
                    let judged = judge.judge(at);
                    let ended = judge.outcome(at).is_some();
                    prop_assert!(ended || judge.deadline() > latest || judge.deadline() == Moment::NEVER);
                    prop_assert_eq!(judged.findings.len(), gate.condition.watches().len());
                    prop_assert!(judged.dwelt >= Span::ZERO && judged.dwelt <= judged.dwell);
                    let word = bare.word(at);
                    prop_assert!(bare.deadline() > at || bare.deadline() == Moment::NEVER);
                    prop_assert_eq!(bare.findings(at).len(), judged.findings.len());
                    let all_unknown = bare.findings(at).iter().all(|f| f.word == Word::Unknown);
                    prop_assert!(!all_unknown || word == Word::Unknown);
                    for finding in &judged.findings {
                        prop_assert!(!finding.to_string().is_empty());
                        prop_assert!(finding.word != Word::Unknown || !finding.because.is_empty(), "{}", finding);
                    }
                }
            }
        }
    }

    #[test]
    fn unknown_never_passes(gate in any_gate(), readings in stream(), cut in 0..3u8) {
        let mut gate = gate;
        on_rpm(&mut gate.condition);
        let mut judge = GateJudge::new(&gate, &facts(), Moment::ZERO).unwrap();
        let fresh = gate.condition.watches().iter().map(|w| w.fresh).max().unwrap();
        let mut now = Moment::ZERO;
        if cut != 0 {
            for (at, value) in readings {
                judge.sample(&reading(at, value));
                now = at;
            }
        }
        match cut {
            0 => {}
            1 => judge.link(false, now),
            _ => now = now + fresh + Span::from_nanos(1),
        }
        for wait in [0, 1, 500, 60_000] {
            let at = now + Span::from_millis(wait);
            prop_assert_eq!(judge.judge(at).word, Word::Unknown);
            let outcome = judge.outcome(at).map(|(outcome, _)| outcome);
            prop_assert!(matches!(outcome, None | Some(Outcome::Unknown)), "{:?}", outcome);
        }
    }

    #[test]
    fn no_gate_passes_before_its_dwell(gate in any_gate(), acts in prop::collection::vec(any_act(), 0..80)) {
        let mut judge = GateJudge::new(&gate, &facts(), Moment::ZERO).unwrap();
        for act in acts {
            match act {
                Act::Sample(sample) => judge.sample(&sample),
                Act::Link(up, at) => judge.link(up, at),
                Act::Ask(at) => {
                    if let Some((Outcome::Met, judged)) = judge.outcome(at) {
                        prop_assert!(at.since(Moment::ZERO) >= gate.dwell && judged.dwelt == gate.dwell);
                        return Ok(());
                    }
                }
            }
        }
    }

    #[test]
    fn what_passes_proven_passes_inside(gate in any_gate(), readings in stream()) {
        let mut gate = gate;
        on_rpm(&mut gate.condition);
        let arm = |demand| GateJudge::new(&Gate { demand, ..gate.clone() }, &facts(), Moment::ZERO).unwrap();
        let (mut proven, mut inside) = (arm(Demand::Proven), arm(Demand::Inside));
        for (at, value) in readings {
            proven.sample(&reading(at, value));
            inside.sample(&reading(at, value));
            let by_inside = inside.outcome(at).map(|(outcome, _)| outcome);
            let by_proven = proven.outcome(at).map(|(outcome, _)| outcome);
            if by_proven == Some(Outcome::Met) {
                prop_assert_eq!(by_inside, Some(Outcome::Met));
            }
        }
    }

    #[test]
    fn asking_more_often_changes_nothing(gate in any_gate(), readings in stream()) {
        let mut gate = gate;
        on_rpm(&mut gate.condition);
        let arm = || GateJudge::new(&gate, &facts(), Moment::ZERO).unwrap();
        let (mut often, mut seldom) = (arm(), arm());
        for (at, value) in &readings {
            // Asked at its own deadlines in between, as its drive contract says.
            while often.deadline() < *at {
                let deadline = often.deadline();
                often.judge(deadline);
            }
            often.sample(&reading(*at, *value));
            often.judge(*at);
            seldom.sample(&reading(*at, *value));
        }
        let end = readings.last().unwrap().0;
        prop_assert_eq!(often.judge(end), seldom.judge(end));
    }

    #[test]
    fn statistics_of_anything_do_not_panic(points in prop::collection::vec((any::<f64>(), any::<f64>()), 0..20)) {
        if let Some(m) = moments(points.iter().map(|p| p.0)) {
            prop_assert!(m.mean.is_finite() && m.sd.is_finite());
        }
        if let Some(line) = fit_line(points.iter().copied()) {
            prop_assert!(line.slope.is_finite());
        }
    }
}
