//! Points, grades and what cannot be judged.

use model::Word;
use model::cause::{Evidence, Grade, Speaks};

use super::*;
use crate::findings::judge;

const ABOVE: (&str, &str, &str) = ("idle", "above = 800, unit = \"{rev}/min\"", "for = 4\nagainst = 2");

/// Score, grade, and the one piece of evidence.
fn one(evidence: (&str, &str, &str), notes: &Notes) -> (f64, Grade, Evidence) {
    let setup: SetUp = [
        ("level".to_string(), SetupLevel::Level(quantity(75.0, "Cel"))),
        ("room".to_string(), SetupLevel::Window { low: quantity(500.0, "mV"), high: quantity(0.6, "V") }),
        ("upside".to_string(), SetupLevel::Window { low: quantity(2.0, "V"), high: quantity(1.0, "V") }),
    ]
    .into();
    let mut causes = judge(&rules(&[evidence]), notes, &setup);
    let cause = causes.remove(0);
    let evidence = cause.evidence.into_iter().next().unwrap();
    (cause.score, cause.grade, evidence)
}

#[test]
fn proven_gives_all_straddling_half_and_outside_takes() {
    for (value, score, word, speaks, grade) in [
        (820.0, 4.0, Word::Proven, Speaks::For, Grade::Likely),
        (805.0, 2.0, Word::Inside, Speaks::For, Grade::Possible),
        (795.0, -1.0, Word::Outside, Speaks::Against, Grade::Unlikely),
        (780.0, -2.0, Word::Outside, Speaks::Against, Grade::Unlikely),
        (f64::NAN, 0.0, Word::Unknown, Speaks::Nothing, Grade::Unknown),
    ] {
        let judged = one(ABOVE, &notes([("idle", about(value, 10.0, "{rev}/min"))]));
        let (got, got_grade, evidence) = judged;
        assert_eq!((got, evidence.word, evidence.speaks, got_grade), (score, word, speaks, grade), "{value}");
    }
    // A quantity has no interval: it is exact.
    assert_eq!(one(ABOVE, &notes([("idle", exactly(800.1, "{rev}/min"))])).0, 4.0);
    assert_eq!(one(ABOVE, &notes([("idle", exactly(800.0, "{rev}/min"))])).0, -2.0);
}

#[test]
fn against_is_nothing_where_it_is_not_given() {
    let (score, grade, evidence) =
        one(("idle", ABOVE.1, "for = 4"), &notes([("idle", exactly(1.0, "/min"))]));
    assert_eq!((score, grade), (0.0, Grade::Unlikely));
    assert!(score.is_sign_positive());
    assert_eq!((evidence.word, evidence.speaks), (Word::Outside, Speaks::Nothing));
}

#[test]
fn every_test_judges_and_names_its_target() {
    for (is, note, word, target) in [
        ("below = -25, unit = \"{rev}/min\"", exactly(-30.0, "/min"), Word::Proven, "below -25 r/min"),
        ("within = [0.4, 0.6], unit = \"V\"", about(0.59, 0.02, "V"), Word::Inside, "within 0.4 to 0.6 V"),
        (
            "outside = [-0.03, 0.03], unit = \"V\"",
            about(-0.05, 0.01, "V"),
            Word::Proven,
            "outside -0.03 to 0.03 V",
        ),
        (
            "outside = [-0.03, 0.03], unit = \"V\"",
            about(0.0, 0.04, "V"),
            Word::Outside,
            "outside -0.03 to 0.03 V",
        ),
        ("below_setup = \"level\"", about(60.0, 3.0, "Cel"), Word::Proven, "below 75 °C (level)"),
        // 75 °C is 167 °F: NIST SP 811 (2008), appendix B.9, from memory: t/°F = 1.8 t/°C + 32.
        ("below_setup = \"level\"", exactly(166.9, "[degF]"), Word::Proven, "below 75 °C (level)"),
        ("above_setup = \"level\"", exactly(167.1, "[degF]"), Word::Proven, "above 75 °C (level)"),
        ("above_setup = \"room.high\"", exactly(620.0, "mV"), Word::Proven, "above 0.6 V (room.high)"),
        ("below_setup = \"room.low\"", exactly(0.51, "V"), Word::Outside, "below 500 mV (room.low)"),
        ("within_setup = \"room\"", exactly(0.55, "V"), Word::Proven, "within 500 mV to 0.6 V (room)"),
        ("outside_setup = \"room\"", exactly(0.45, "V"), Word::Proven, "outside 500 mV to 0.6 V (room)"),
        ("flag = false", NoteValue::Flag(false), Word::Proven, "no"),
        ("flag = true", NoteValue::Flag(false), Word::Outside, "yes"),
        ("contains = [\"P0171\", \"P0505\"]", text("P0420 p0505"), Word::Proven, "P0171 or P0505"),
        ("contains = [\"P0171\"]", text("P01711, P0420"), Word::Outside, "P0171"),
        ("contains = [\"seated\"]", text(""), Word::Outside, "seated"),
    ] {
        let (_, _, evidence) = one(("x", is, "for = 1"), &notes([("x", note)]));
        assert_eq!((evidence.word, evidence.target.as_str()), (word, target), "{is}: {evidence:?}");
    }
}

#[test]
fn what_cannot_be_judged_counts_nothing_and_says_why() {
    for (is, note, seen) in [
        (ABOVE.1, None, "x is not in the notebook"),
        (
            ABOVE.1,
            Some(exactly(12.5, "V")),
            "x 12.5 V cannot be compared: '{rev}/min' cannot be converted to 'V': they measure different things",
        ),
        (ABOVE.1, Some(text("fast")), "x \"fast\" is not a number"),
        (ABOVE.1, Some(NoteValue::Flag(true)), "x yes is not a number"),
        (ABOVE.1, Some(exactly(f64::INFINITY, "/min")), "x inf r/min is not a finite number"),
        (
            ABOVE.1,
            Some(about(900.0, -5.0, "/min")),
            "x 900.000 ± -5.000 r/min does not lie within its own interval",
        ),
        ("flag = true", Some(text("yes")), "x \"yes\" is not a yes or no"),
        ("contains = [\"a\"]", Some(exactly(1.0, "1")), "x 1 is not a text"),
        (
            "below_setup = \"lavel\"",
            Some(exactly(1.0, "Cel")),
            "x 1 °C cannot be judged: the car has no set-up value 'lavel'",
        ),
        (
            "below_setup = \"room\"",
            Some(exactly(1.0, "V")),
            "x 1 V cannot be judged: the set-up value 'room' is a window, and the rule names neither of its ends",
        ),
        (
            "above_setup = \"level.low\"",
            Some(exactly(1.0, "Cel")),
            "x 1 °C cannot be judged: the set-up value 'level' is one level, and the rule names an end of a window",
        ),
        (
            "within_setup = \"level\"",
            Some(exactly(1.0, "Cel")),
            "x 1 °C cannot be judged: the set-up value 'level' is one level, and the rule asks for a window",
        ),
        (
            "within_setup = \"upside\"",
            Some(exactly(1.5, "V")),
            "x 1.5 V cannot be judged: the set-up value 'upside' is no window: its lower end lies above its upper",
        ),
    ] {
        let notes: Notes = note.map(|note| ("x".to_string(), note)).into_iter().collect();
        let (score, grade, evidence) = one(("x", is, "for = 4\nagainst = 4"), &notes);
        assert_eq!((score, grade), (0.0, Grade::Unknown), "{is}");
        assert_eq!((evidence.word, evidence.speaks), (Word::Unknown, Speaks::Nothing), "{is}");
        assert_eq!(evidence.seen, seen);
    }
}

#[test]
fn likely_asks_for_points_for_a_share_and_for_a_proof() {
    let flag = |name: &'static str, points: &'static str| (name, "flag = true", points);
    let yes =
        |names: &[&str]| -> Notes { names.iter().map(|n| (n.to_string(), NoteValue::Flag(true))).collect() };
    let grade = |evidence: &[(&str, &str, &str)], notes: &Notes| {
        judge(&rules(evidence), notes, &SetUp::new())[0].grade
    };

    assert_eq!(grade(&[flag("a", "for = 3")], &yes(&["a"])), Grade::Likely);
    assert_eq!(grade(&[flag("a", "for = 2.9")], &yes(&["a"])), Grade::Possible);
    // Three of ten points is under a third, but what is not known is not held against it.
    let silent = [flag("a", "for = 3"), flag("b", "for = 7")];
    let mut both = yes(&["a"]);
    assert_eq!(grade(&silent, &both), Grade::Likely);
    both.insert("b".into(), NoteValue::Flag(false));
    assert_eq!(grade(&silent, &both), Grade::Possible);
    // Points enough, but every interval straddles its edge.
    let straddling = notes([("idle", about(801.0, 5.0, "{rev}/min"))]);
    assert_eq!(grade(&[("idle", ABOVE.1, "for = 8")], &straddling), Grade::Possible);
}

#[test]
fn a_cause_that_lacks_what_it_needs_is_unknown_and_stands_below_all_others() {
    let file = "schema = 1
[[cause]]
id = \"needy\"
title = \"N\"
next = [\"Look.\"]
needs = [\"b\"]
evidence = [{ note = \"a\", is = { flag = true }, words = \"w\", for = 9 }, { note = \"b\", is = { flag = true }, words = \"w\", for = 1 }]
[[cause]]
id = \"first\"
title = \"F\"
next = [\"Look.\"]
evidence = [{ note = \"a\", is = { flag = false }, words = \"w\", for = 1, against = 5 }]
[[cause]]
id = \"second\"
title = \"S\"
next = [\"Look.\"]
evidence = [{ note = \"a\", is = { flag = false }, words = \"w\", for = 1, against = 5 }]
";
    let rules = Rules::load("rules.toml", file).unwrap_or_else(|problems| panic!("{}", lines(&problems)));
    let order = |notes: &Notes| -> Vec<String> {
        judge(&rules, notes, &SetUp::new()).iter().map(|c| format!("{} {}", c.id, c.grade)).collect()
    };
    let mut notes = notes([("a", NoteValue::Flag(true))]);
    assert_eq!(order(&notes), ["first unlikely", "second unlikely", "needy unknown"]);
    notes.insert("b".into(), text("yes"));
    assert_eq!(order(&notes), ["first unlikely", "second unlikely", "needy unknown"]);
    notes.insert("b".into(), NoteValue::Flag(false));
    assert_eq!(order(&notes), ["needy likely", "first unlikely", "second unlikely"]);
}
