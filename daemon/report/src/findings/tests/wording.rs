//! Causes in plain words.

use super::*;
use crate::findings::{judge, words};

fn file() -> Rules {
    let file = "schema = 1
[[cause]]
id = \"leak\"
title = \"Air leaks in\"
next = [\"Pinch the hoses one by one.\", \"Mend the leak.\"]
evidence = [
    { note = \"pinch\", is = { below = -25, unit = \"{rev}/min\" }, words = \"pinching the hoses slows the engine\", for = 4, against = 3 },
    { note = \"idle\", is = { above_setup = \"base.high\" }, words = \"the idle is too high\", for = 2, against = 1 },
    { note = \"trim\", is = { above = 8, unit = \"%\" }, words = \"fuel is added\", for = 1 },
    { note = \"codes\", is = { contains = [\"P0171\"] }, words = \"a code is stored\", for = 1 },
]
[[cause]]
id = \"battery\"
title = \"The battery is weak\"
next = [\"Charge it.\"]
evidence = [{ note = \"battery\", is = { below = 12, unit = \"V\" }, words = \"it is low\", for = 3, against = 1 }]
";
    Rules::load("rules.toml", file).unwrap_or_else(|problems| panic!("{}", lines(&problems)))
}

fn base() -> SetUp {
    let base = SetupLevel::Window { low: quantity(700.0, "{rev}/min"), high: quantity(800.0, "{rev}/min") };
    [("base".to_string(), base)].into()
}

#[test]
fn a_likely_cause_tells_its_evidence_and_the_unlikely_one_is_left_out() {
    let notes = notes([
        ("pinch", about(-120.0, 12.0, "{rev}/min")),
        ("idle", about(795.0, 12.0, "{rev}/min")),
        ("codes", text("P0171 P0420")),
        ("battery", about(12.6, 0.1, "V")),
    ]);
    insta::assert_snapshot!(words(&judge(&file(), &notes, &base())), @r#"
    Likely: Air leaks in
      for it:
        - pinching the hoses slows the engine (pinch -120 ± 12 r/min, looked for below -25 r/min: proven)
        - a code is stored (codes "P0171 P0420", looked for P0171: proven)
      against it:
        - not so: the idle is too high (idle 795 ± 12 r/min, looked for above 800 r/min (base.high): outside)
      not known:
        - trim is not in the notebook
      test next:
        - Pinch the hoses one by one.
        - Mend the leak.
    "#);
}

#[test]
fn where_nothing_points_anywhere_that_is_said() {
    let notes = notes([("pinch", about(-3.0, 12.0, "{rev}/min")), ("codes", text(""))]);
    insta::assert_snapshot!(words(&judge(&file(), &notes, &base())), @r#"
    Nothing in the data points to one of the known causes.
    Unlikely: Air leaks in
      against it:
        - not so: pinching the hoses slows the engine (pinch -3 ± 12 r/min, looked for below -25 r/min: outside)
      not known:
        - idle is not in the notebook
        - trim is not in the notebook
    Unknown: The battery is weak
      not known:
        - battery is not in the notebook
    "#);
    assert_eq!(words(&[]), "");
}
