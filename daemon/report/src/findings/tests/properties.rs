//! Whatever stands in file and notebook, nothing panics and the order is one.

use model::cause::{Grade, Speaks};
use model::{Unit, Word};
use proptest::prelude::*;

use super::*;
use crate::findings::{judge, words};

const KEYS: [&str; 4] = ["a", "b", "c", "d"];
const UNITS: [&str; 5] = ["V", "mV", "{rev}/min", "Cel", "[degF]"];

fn number() -> impl Strategy<Value = f64> {
    prop_oneof![8 => -50.0..50.0, 1 => proptest::num::f64::ANY]
}

fn unit() -> impl Strategy<Value = Unit> {
    (0..UNITS.len()).prop_map(|i| Unit::new(UNITS[i]).unwrap())
}

fn note() -> impl Strategy<Value = NoteValue> {
    prop_oneof![
        (number(), unit()).prop_map(|(value, unit)| NoteValue::Quantity(Quantity::new(value, unit))),
        (number(), number(), number(), unit())
            .prop_map(|(value, low, high, unit)| NoteValue::Estimate(Estimate { value, low, high, unit })),
        (-50.0..50.0, 0.0..20.0, unit()).prop_map(|(value, half, unit)| NoteValue::Estimate(Estimate {
            value,
            low: value - half,
            high: value + half,
            unit
        })),
        "\\PC{0,9}".prop_map(NoteValue::Text),
        any::<bool>().prop_map(NoteValue::Flag),
    ]
}

fn notebook() -> impl Strategy<Value = Notes> {
    proptest::collection::btree_map((0..KEYS.len()).prop_map(|i| KEYS[i].to_string()), note(), 0..5)
}

fn setup() -> impl Strategy<Value = SetUp> {
    let level = prop_oneof![
        (number(), unit()).prop_map(|(value, unit)| SetupLevel::Level(Quantity::new(value, unit))),
        (number(), unit(), number(), unit()).prop_map(|(low, a, high, b)| SetupLevel::Window {
            low: Quantity::new(low, a),
            high: Quantity::new(high, b)
        }),
    ];
    proptest::collection::btree_map("s[0-2]", level, 0..3)
}

fn evidence() -> impl Strategy<Value = String> {
    let is = prop_oneof![
        (-50.0..50.0, 0..UNITS.len()).prop_map(|(x, u)| format!("above = {x:?}, unit = \"{}\"", UNITS[u])),
        (-50.0..0.0, 1.0..50.0, 0..UNITS.len())
            .prop_map(|(low, high, u)| format!("outside = [{low:?}, {high:?}], unit = \"{}\"", UNITS[u])),
        "below_setup = \"s[0-2](\\.low|\\.high)?\"",
        "within_setup = \"s[0-2]\"",
        Just("flag = true".to_string()),
        Just("contains = [\"x\", \"7\"]".to_string()),
    ];
    (0..KEYS.len(), is, 0.1..9.0, 0.0..9.0).prop_map(|(key, is, plus, minus)| {
        let note = KEYS[key];
        format!("[[cause.evidence]]\nnote = \"{note}\"\nis = {{ {is} }}\nwords = \"w\"\nfor = {plus:?}\nagainst = {minus:?}\n")
    })
}

fn file() -> impl Strategy<Value = String> {
    let cause = proptest::collection::vec(evidence(), 1..4);
    proptest::collection::vec(cause, 1..5).prop_map(|causes| {
        let mut file = "schema = 1\n".to_string();
        for (i, evidence) in causes.iter().enumerate() {
            file.push_str(&format!(
                "[[cause]]\nid = \"c{i}\"\ntitle = \"T\"\nnext = [\"N\"]\n{}",
                evidence.concat()
            ));
        }
        file
    })
}

proptest! {
    #[test]
    fn judging_never_panics_and_sorts_by_grade_then_score_then_file(
        file in file(), notes in notebook(), setup in setup(),
    ) {
        let rules = Rules::load("r.toml", &file).unwrap();
        let causes = judge(&rules, &notes, &setup);
        for pair in causes.windows(2) {
            let (a, b) = (&pair[0], &pair[1]);
            let in_order = a.grade < b.grade
                || (a.grade == b.grade && a.score > b.score)
                || (a.grade == b.grade && a.score == b.score && a.id < b.id);
            prop_assert!(in_order, "{a:?} before {b:?}");
        }
        for cause in &causes {
            prop_assert!(cause.score.is_finite());
            let unknown = cause.evidence.iter().all(|e| e.word == Word::Unknown);
            prop_assert_eq!(cause.grade == Grade::Unknown, unknown);
            for e in &cause.evidence {
                let fits = match e.word {
                    Word::Proven | Word::Inside => e.speaks == Speaks::For,
                    Word::Outside => e.speaks != Speaks::For,
                    Word::Unknown => e.speaks == Speaks::Nothing,
                };
                prop_assert!(fits, "{e:?}");
            }
        }
        prop_assert!(!words(&causes).is_empty());
        prop_assert_eq!(judge(&rules, &notes, &setup), causes);
    }

    /// More readings only sharpen: an estimate without an interval never scores nearer to zero.
    #[test]
    fn an_interval_only_takes_the_edge_off(value in -50.0..50.0, half in 0.0..20.0, edge in -50.0..50.0) {
        let is = format!("above = {edge:?}, unit = \"V\"");
        let rules = rules(&[("x", &is, "for = 4\nagainst = 2")]);
        let score = |note| judge(&rules, &notes([("x", note)]), &SetUp::new())[0].score;
        let (exact, wide) = (score(exactly(value, "V")), score(about(value, half, "V")));
        prop_assert!(exact.signum() == wide.signum() && exact.abs() >= wide.abs(), "{exact} {wide}");
    }

    #[test]
    fn no_text_panics(text in "\\PC{0,200}") {
        let _ = Rules::load("r.toml", &text);
    }

    /// A damaged copy of a good file is told or taken, never more.
    #[test]
    fn no_damage_panics(file in file(), at in any::<proptest::sample::Index>(), with in "[\\[\\]{}=\"a1.,\n-]{0,3}") {
        let cut = at.index(file.len());
        let damaged = format!("{}{with}{}", &file[..cut], file.get(cut + 1..).unwrap_or_default());
        if let Err(problems) = Rules::load("r.toml", &damaged) {
            prop_assert!(!problems.is_empty());
            prop_assert!(problems.iter().all(|p| !p.seen.is_empty() && !p.cure.is_empty()), "{problems:?}");
        }
    }
}
