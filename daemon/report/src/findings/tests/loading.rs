//! Mistakes in files of rules.

use super::*;
use crate::findings::json_schema;

fn told(text: &str) -> String {
    lines(&Rules::load("r.toml", text).unwrap_err())
}

/// Every kind of mistake in one file; the lines are counted by hand.
const WRONG: &str = r#"schema = 2
version = "new"
[[cause]]
id = "one"
titel = "Misspelt"
next = []
needs = ["idle_hold", "nowhere"]
[[cause.evidence]]
note = "idle_held"
is = { above = "high", unit = "{rev}/min" }
words = ""
for = -1
[[cause.evidence]]
note = "Idle Held"
is = { below = 3 }
words = "w"
for = 0
against = 101
[[cause.evidence]]
note = "b"
is = { within = [2, 1], unit = "V" }
words = "w"
for = 0
[[cause.evidence]]
note = "c"
is = { outside = [1, 2, 3], unit = "volts" }
words = 7
[[cause]]
id = "one"
title = "Twice"
next = ["Look."]
[[cause.evidence]]
note = "d"
is = { flag = "no" }
words = "w"
for = 1
[[cause.evidence]]
note = "e"
is = { flag = true, contains = ["x"] }
words = "w"
for = 1
[[cause.evidence]]
note = "f"
is = { }
words = "w"
for = 1
[[cause.evidence]]
note = "g"
is = { bellow = 1, unit = "V" }
words = "w"
for = 1
[[cause.evidence]]
note = "h"
is = { below_setup = "idle_speed.lowest" }
words = "w"
for = 1
[[cause.evidence]]
note = "i"
is = { flag = true, unit = "1" }
words = "w"
for = nan
[[cause.evidence]]
note = "j"
is = { contains = ["not seated"] }
words = "w"
for = 1
[[cause.evidence]]
note = "k"
is = 3
words = "w"
for = 2026-01-01
[[cause]]
title = "Nameless"
next = ["Look."]
evidence = "none"
"#;

#[test]
fn every_mistake_is_told_at_once_with_its_line_its_key_and_the_cure() {
    insta::assert_snapshot!(told(WRONG), @r#"
    r.toml:1: schema: this is the number 2 (give the number 1: version of the file's shape)
    r.toml:2: version: 'version' is not a known key (the keys known here are schema, cause)
    r.toml:5: cause.one.titel: 'titel' is not a known key (did you mean 'title'?)
    r.toml:6: cause.one.next: this is an empty list (give a list of at least one text, each of 1 to 400 characters: what to test or do next, in this order)
    r.toml:7: cause.one.needs: no evidence of this cause is on 'idle_hold' (did you mean 'idle_held'?)
    r.toml:7: cause.one.needs: no evidence of this cause is on 'nowhere' (name a note of this cause's evidence, or leave it out)
    r.toml:10: cause.one.evidence.1.is.above: this is the text "high" (give a number: the value lies above this)
    r.toml:11: cause.one.evidence.1.words: this is an empty text (give a text of 1 to 400 characters: what it means when it is so, for people)
    r.toml:12: cause.one.evidence.1.for: this is the number -1 (give a number from 0 to 100: points when it is so: all when proven, half when the interval straddles an edge)
    r.toml:14: cause.one.evidence.2.note: this is the text "Idle Held" (give a name of 1 to 64 of a-z, 0-9, '_' and '-', starting with a letter or digit: key of a value in the run's notebook)
    r.toml:15: cause.one.evidence.2.is.unit: 'unit' is missing (add unit: unit of the numbers, as a UCUM code; give a UCUM code in quotes, such as "V", "Cel", "{rev}/min" or "1")
    r.toml:18: cause.one.evidence.2.against: this is the number 101 (give a number from 0 to 100: points taken when it is not so: all when the whole interval lies outside, half when it straddles an edge; none by default)
    r.toml:21: cause.one.evidence.3.is.within: this is the list [2, 1] (give a list of two numbers, the lower first: the value lies between these two, both included)
    r.toml:23: cause.one.evidence.3.for: this evidence carries no points either way (give 'for', 'against' or both more than 0, or leave the evidence out)
    r.toml:24: cause.one.evidence.4.for: 'for' is missing (add for: points when it is so: all when proven, half when the interval straddles an edge)
    r.toml:26: cause.one.evidence.4.is.unit: 'volts' is not a known UCUM unit: 'volts' is not a unit (give a UCUM code in quotes, such as "V", "Cel", "{rev}/min" or "1")
    r.toml:26: cause.one.evidence.4.is.outside: this is the list [1, 2, 3] (give a list of two numbers, the lower first: the value lies below the first or above the second)
    r.toml:27: cause.one.evidence.4.words: this is the number 7 (give a text of 1 to 400 characters: what it means when it is so, for people)
    r.toml:29: cause.one.id: 'one' is the id of an earlier cause (give it its own id)
    r.toml:34: cause.one.evidence.1.is.flag: this is the text "no" (give true or false: the note is this, yes or no)
    r.toml:39: cause.one.evidence.2.is: there are 2 tests: contains, flag (keep one, and give the others evidence of their own)
    r.toml:44: cause.one.evidence.3.is: there is no test (give one of below, above, within, outside, below_setup, above_setup, within_setup, outside_setup, flag, contains)
    r.toml:49: cause.one.evidence.4.is.bellow: 'bellow' is not a known key (did you mean 'below'?)
    r.toml:54: cause.one.evidence.5.is.below_setup: 'idle_speed.lowest' names no set-up value (give the name of a set-up value; for one end of a window, its name with .low or .high)
    r.toml:59: cause.one.evidence.6.is.unit: 'flag' takes no unit (leave it out: only numbers written here have one)
    r.toml:61: cause.one.evidence.6.for: this is the number nan (give a number from 0 to 100: points when it is so: all when proven, half when the interval straddles an edge)
    r.toml:64: cause.one.evidence.7.is.contains: 'not seated' is not one word (give single words, each in its own quotes: any of them will do)
    r.toml:69: cause.one.evidence.8.is: this is the number 3 (give a table with one test, such as { below = 12.0, unit = "V" }: what the value is held against)
    r.toml:71: cause.one.evidence.8.for: this is a date or time (give a number from 0 to 100: points when it is so: all when proven, half when the interval straddles an edge)
    r.toml:72: cause.3.id: 'id' is missing (add id: id of the cause, used once)
    r.toml:75: cause.3.evidence: this is the text "none" (give a list of tables, each under a heading in double brackets: a note that speaks for or against the cause)
    "#);
}

#[test]
fn mistakes_of_syntax_come_alone_each_with_its_column() {
    insta::assert_snapshot!(told("schema = \nb = 1\nc = [1,,2]\nb = 2\n"), @r#"
    r.toml:1:10: this is not TOML: string values must be quoted, expected literal string (mend this line first; the rest of the file is checked once it reads as TOML)
    r.toml:3:8: this is not TOML: extra comma in array, expected value (mend this line first; the rest of the file is checked once it reads as TOML)
    r.toml:4:1: this is not TOML: duplicate key (mend this line first; the rest of the file is checked once it reads as TOML)
    "#);
}

#[test]
fn an_empty_file_and_a_huge_one_are_told() {
    insta::assert_snapshot!(told(""), @r#"
    r.toml:1: schema: 'schema' is missing (add schema: version of the file's shape)
    r.toml:1: cause: 'cause' is missing (add a table [[cause]] for each: a cause and what speaks for and against it)
    "#);
    assert!(told(&"#".repeat((1 << 20) + 1)).contains("1 MiB"));
    assert!(told("schema = 1\ncause = []\n").contains("this is an empty list"));
    assert!(told(&format!("a = {}{}", "[".repeat(5_000), "]".repeat(5_000))).contains("not TOML"));
}

/// A file that the schema refuses is refused here too, and what is only the reader's to know passes the
/// schema.
#[test]
fn the_schema_and_the_reader_agree() {
    let schema = json_schema();
    assert!(jsonschema::meta::is_valid(&schema));
    let validator = jsonschema::validator_for(&schema).unwrap();
    let file = |evidence: &str, rest: &str| {
        format!(
            "schema = 1\n[[cause]]\nid = \"a\"\ntitle = \"A\"\nnext = [\"N\"]\n{rest}\n[[cause.evidence]]\n{evidence}\n"
        )
    };
    let good = "note = \"x\"\nwords = \"w\"\nfor = 1\nis = ";
    for (text, by_schema, by_reader) in [
        (file(&format!("{good}{{ flag = true }}"), ""), true, true),
        (file(&format!("{good}{{ below = 1, unit = \"V\" }}"), ""), true, true),
        (file(&format!("{good}{{ within_setup = \"idle_speed\" }}"), "needs = [\"x\"]"), true, true),
        (file(&format!("{good}{{ below_setup = \"idle_speed.low\" }}"), ""), true, true),
        (file(&format!("{good}{{ below = 1 }}"), ""), false, false),
        (file(&format!("{good}{{ flag = true, unit = \"V\" }}"), ""), false, false),
        (file(&format!("{good}{{ flag = true, below = 1, unit = \"V\" }}"), ""), false, false),
        (file(&format!("{good}{{ within = [1], unit = \"V\" }}"), ""), false, false),
        (file(&format!("{good}{{ below_setup = \"idle_speed.mid\" }}"), ""), false, false),
        (file(&format!("{good}{{ within_setup = \"idle_speed.low\" }}"), ""), false, false),
        (file(&format!("{good}{{ contains = [] }}"), ""), false, false),
        (file(&format!("{good}{{ flag = true }}\nagainst = 1000"), ""), false, false),
        (file(&format!("{good}{{ flag = true }}"), "colour = 1"), false, false),
        ("schema = 1\n".to_string(), false, false),
        (file(&format!("{good}{{ within = [2, 1], unit = \"V\" }}"), ""), true, false),
        (file(&format!("{good}{{ below = 1, unit = \"volts\" }}"), ""), true, false),
        (file(&format!("{good}{{ flag = true }}"), "needs = [\"y\"]"), true, false),
    ] {
        let value = serde_json::to_value(toml::from_str::<toml::Value>(&text).unwrap()).unwrap();
        assert_eq!(validator.is_valid(&value), by_schema, "schema:\n{text}");
        assert_eq!(Rules::load("r.toml", &text).is_ok(), by_reader, "reader:\n{text}");
    }
}
