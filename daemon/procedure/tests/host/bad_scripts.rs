//! Every way a script can be wrong, with what its writer is told. Bodies begin in line 2.

use insta::assert_snapshot;

use crate::fake::{outcome, station, told, try_run};

fn whole(text: &str) -> String {
    let (ask, log) = station(|_, _| None);
    told(&try_run(text, ask), &log)
}

#[test]
fn an_unknown_channel() {
    assert_snapshot!(outcome(r#"wait(above("rmp", 800.rpm).limit(5.seconds));"#), @r#"
    bad input
    trial.rhai:2:6: no channel 'rmp' (did you mean 'rpm'?)
    "#);
    assert_snapshot!(outcome(r#"measure("oil", "x", 5.seconds);"#), @r#"
    bad input
    trial.rhai:2:1: no channel 'oil' (there are: battery, coolant, idle_valve, idle_valve_held, rpm, throttle)
    "#);
}

#[test]
fn an_unknown_name_in_the_header_and_all_of_them_at_once() {
    assert_snapshot!(whole(r#"
procedure("x", #{ title: "X", channels: ["rmp", "coolant"], outputs: ["idle_valv"], setup: ["warm"] });
"#), @r#"
    bad input
    trial.rhai:2:1: the car's description has no channel 'rmp' (did you mean 'rpm'?)
    trial.rhai:2:1: the car's description has no output 'idle_valv' (did you mean 'idle_valve'?)
    trial.rhai:2:1: the car's description has no set-up value 'warm' (there are: closed_throttle, hold_step, lowest_idle, warm_coolant)
    "#);
}

#[test]
fn a_header_that_cannot_be_read() {
    assert_snapshot!(whole(r#"procedure("x", #{ titel: "X" });"#), @r#"
    bad input
    trial.rhai:1:1: procedure(…) has no 'titel' (did you mean 'title'?)
    "#);
    assert_snapshot!(whole(r#"procedure("Großes X", #{ title: "X" });"#), @r#"
    bad input
    trial.rhai:1:1: 'Großes X' is not a usable name: use 1 to 64 of a-z, 0-9, '_' and '-', starting with a letter or digit
    "#);
    assert_snapshot!(whole(r#"procedure("x", #{ title: "X", channels: "rpm" });"#), @r#"
    bad input
    trial.rhai:1:1: channels must be a list of names
    "#);
    assert_snapshot!(whole(r#"procedure("x", #{});"#), @r#"
    bad input
    trial.rhai:1:1: the procedure has no title (add title: "…")
    "#);
    assert_snapshot!(outcome(r#"procedure("x", #{ title: "X" });"#), @r#"
    bad input
    trial.rhai:2:1: procedure(…) is called a second time (call it once, at the top of the script)
    "#);
}

#[test]
fn no_header_or_a_late_one() {
    assert_snapshot!(whole("let x = 1;"), @r#"
    bad input
    trial.rhai: the script ends without saying what it is (begin with procedure("name", #{ title: … }))
    "#);
    assert_snapshot!(whole(r#"remark("hello");"#), @r#"
    bad input
    trial.rhai:1:1: the script does something before it says what it needs (begin with procedure("name", #{ title: …, channels: […] }))
    "#);
    assert_snapshot!(whole("// nothing but a comment"), @r#"
    bad input
    trial.rhai: the script ends without saying what it is (begin with procedure("name", #{ title: … }))
    "#);
    assert_snapshot!(whole("  \n "), @r#"
    bad input
    trial.rhai: the script is empty (begin with procedure("name", #{ title: … }))
    "#);
}

#[test]
fn a_channel_that_the_header_does_not_name() {
    assert_snapshot!(whole("procedure(\"x\", #{ title: \"X\", channels: [\"rpm\"] });\n latest(\"coolant\");"), @r#"
    bad input
    trial.rhai:2:2: the header does not name the channel 'coolant' (add it to channels: […] in procedure(…))
    "#);
}

#[test]
fn a_wrong_unit() {
    assert_snapshot!(outcome(r#"wait(above("coolant", 75.volts).limit(5.seconds));"#), @r#"
    bad input
    trial.rhai:2:6: 'coolant' is measured in °C, and 75 V is in V (give it in °C, or with the UCUM code: quantity(75, "Cel"))
    "#);
    assert_snapshot!(outcome(r#"wait(above("coolant", 75.celsius).limit(5.volts));"#), @r#"
    bad input
    trial.rhai:2:35: the limit is given as 5 V, which is no length of time (give it as 5.seconds)
    "#);
    assert_snapshot!(outcome(r#"hold("idle_valve", 60.turns, #{ at_most: 5.seconds }, || {});"#), @r#"
    bad input
    trial.rhai:2:1: 'idle_valve' is measured in steps, and 60 turns is in turns (give it in steps, or with the UCUM code: quantity(60, "{step}"))
    "#);
    assert_snapshot!(outcome(r#"let warm = latest("coolant") > 75;"#), @r#"
    bad input
    trial.rhai:2:30: 60 °C is compared with a bare number (give both a unit)
    > latest coolant 2.0 s
    "#);
    assert_snapshot!(outcome(r#"let x = 75.celsius + 5.volts;"#), @r#"
    bad input
    trial.rhai:2:20: 75 °C and 5 V measure different things (compare like with like)
    "#);
    assert_snapshot!(outcome(r#"let x = 75.celsius - 20.fahrenheit;"#), @r#"
    bad input
    trial.rhai:2:20: 75 °C and 20 °F are on two scales with different zeros (bring one to the other first: .to("Cel"))
    "#);
    assert_snapshot!(outcome(r#"let x = quantity(3, "furlong");"#), @r#"
    bad input
    trial.rhai:2:9: 'furlong' is not a known UCUM unit: 'furlong' is not a unit
    "#);
}

#[test]
fn a_bare_number_where_a_quantity_belongs() {
    assert_snapshot!(outcome(r#"wait(above("coolant", 75).limit(5.seconds));"#), @r#"
    bad input
    trial.rhai:2:6: above cannot take (text, number) (it is written above(channel, level); numbers of the car carry their unit, as in 75.celsius)
    "#);
}

#[test]
fn a_misspelt_unit_function_or_variable() {
    assert_snapshot!(outcome("let warm = 75.celcius;"), @r#"
    bad input
    trial.rhai:2:15: a number has no 'celcius' (did you mean 'celsius'?)
    "#);
    assert_snapshot!(outcome(r#"wiat(above("rpm", 5.rpm));"#), @r#"
    bad input
    trial.rhai:2:1: no function wiat(gate) (did you mean 'wait'?)
    "#);
    assert_snapshot!(outcome("let warm = 75.celsius;\nremark(`${wram}`);"), @r#"
    bad input
    trial.rhai:3:11: no variable 'wram' (declare it with let, or put a text into quotes)
    "#);
}

#[test]
fn an_unknown_set_up_value() {
    assert_snapshot!(outcome(r#"let x = setup("warm_colant");"#), @r#"
    bad input
    trial.rhai:2:9: no set-up value 'warm_colant' (did you mean 'warm_coolant'?)
    "#);
}

#[test]
fn a_wait_without_a_limit() {
    assert_snapshot!(outcome("step(\"warm\", \"Warm up\", || {\n    wait(above(\"coolant\", 75.celsius));\n});"), @r#"
    bad input
    trial.rhai:3:5: the wait has no limit and might never end (say how long: wait(….limit(2.minutes)))
    > begin warm
    > end warm: bad input
    "#);
}

#[test]
fn a_gate_put_together_wrongly() {
    assert_snapshot!(outcome(r#"wait(all([above("rpm", 5.rpm).dwell(1.second)]).limit(9.seconds));"#), @r#"
    bad input
    trial.rhai:2:6: a part of a larger condition cannot have a dwell of its own (put .dwell(…) on the whole that is waited for)
    "#);
    assert_snapshot!(outcome(r#"wait(any([]).limit(9.seconds));"#), @r#"
    bad input
    trial.rhai:2:6: the list of conditions is empty (name at least one)
    "#);
    assert_snapshot!(outcome(r#"wait(within("battery", 15.volts, 13.volts).limit(9.seconds));"#), @r#"
    bad input
    trial.rhai:2:6: the window from 15 V to 13 V is empty (give the lower edge first)
    "#);
    assert_snapshot!(outcome(r#"wait(steady("rpm", 0.rpm).limit(9.seconds));"#), @r#"
    bad input
    trial.rhai:2:6: a change of 0 r/min can never be seen (give it above zero)
    "#);
    assert_snapshot!(outcome(r#"wait(not(above("rpm", 5.rpm)).over(1.second).limit(9.seconds));"#), @r#"
    bad input
    trial.rhai:2:31: a joined condition has no over of its own (put .over(…) on each of its parts)
    "#);
    assert_snapshot!(outcome(r#"wait(above("rpm", (0.0 / 0.0).rpm).limit(9.seconds));"#), @r#"
    bad input
    trial.rhai:2:6: NaN is not a number to compare 'rpm' with
    "#);
    assert_snapshot!(outcome(r#"wait(above("rpm", 5.rpm).limit(0.seconds));"#), @r#"
    bad input
    trial.rhai:2:26: the limit is 0 s (give a time above zero)
    "#);
}

#[test]
fn a_hold_without_a_bound_or_with_a_wrong_one() {
    assert_snapshot!(outcome(r#"hold("idle_valve", 60.steps, #{}, || {});"#), @r#"
    bad input
    trial.rhai:2:1: the hold of 'idle_valve' has no bound (say how long at the most: #{ at_most: 20.seconds })
    "#);
    assert_snapshot!(outcome(r#"hold("idle_valve", 60.steps, #{ at_most: 2.minutes }, || {});"#), @r#"
    bad input
    trial.rhai:2:1: 'idle_valve' cannot be held for 2 min 0 s (its description allows 1 min 0 s at the most)
    "#);
    assert_snapshot!(outcome(r#"hold("idle_valve", 60.steps, #{ at_mots: 9.seconds }, || {});"#), @r#"
    bad input
    trial.rhai:2:1: hold(…) has no 'at_mots' (did you mean 'at_most'?)
    "#);
    assert_snapshot!(outcome(r#"hold("idle_valve", 161.steps, #{ at_most: 9.seconds }, || {});"#), @r#"
    bad input
    trial.rhai:2:1: 'idle_valve' cannot be held at 161 steps (its description allows 0 steps to 160 steps)
    "#);
    assert_snapshot!(outcome(r#"hold("idle_valv", 60.steps, #{ at_most: 9.seconds }, || {});"#), @r#"
    bad input
    trial.rhai:2:1: no output 'idle_valv' (did you mean 'idle_valve'?)
    "#);
    assert_snapshot!(outcome(r#"hold("idle_valve", 60.steps, #{ at_most: 9.seconds, drop_if: [5] }, || {});"#), @r#"
    bad input
    trial.rhai:2:1: each part of drop_if must be a condition
    "#);
}

#[test]
fn a_hold_within_the_same_hold() {
    assert_snapshot!(outcome(r#"
hold("idle_valve", 60.steps, #{ at_most: 9.seconds }, || {
    hold("idle_valve", 70.steps, #{ at_most: 9.seconds }, || {});
});"#), @r#"
    bad input
    trial.rhai:4:5: 'idle_valve' is held already (leave the first hold before the second)
    > engage idle_valve 60 steps 9.0 s guards=0
    > release idle_valve
    "#);
}

#[test]
fn a_hold_or_a_prompt_before_the_cautions() {
    let header = "procedure(\"x\", #{ title: \"X\", outputs: [\"idle_valve\"] });\n";
    let hold = r#"  hold("idle_valve", 60.steps, #{ at_most: 9.seconds }, || {});"#;
    assert_snapshot!(whole(&format!("{header}{hold}")), @r#"
    bad input
    trial.rhai:2:3: an output is held before any caution was shown (cautions come first: call caution([…]))
    "#);
    let prompt = r#"  ask_to("turn", "bypass screw", "Turn it.", 5.minutes);"#;
    assert_snapshot!(whole(&format!("{header}{prompt}")), @r#"
    bad input
    trial.rhai:2:3: a person is asked before any caution was shown (cautions come first: call caution([…]))
    "#);
}

#[test]
fn steps_within_steps_and_steps_twice() {
    assert_snapshot!(outcome("step(\"a\", \"A\", || {\n  step(\"b\", \"B\", || {});\n});"), @r#"
    bad input
    trial.rhai:3:3: step 'b' begins inside step 'a' (end one step before the next: steps are what a run is taken up again at)
    > begin a
    > end a: bad input
    "#);
    assert_snapshot!(outcome("step(\"a\", \"A\", || {});\nstep(\"a\", \"A\", || {});"), @r#"
    bad input
    trial.rhai:3:1: there was a step 'a' before (give every step its own name)
    > begin a
    > end a: passed
    "#);
}

#[test]
fn a_syntax_error() {
    assert_snapshot!(outcome("let x = ;"), @r#"
    bad input
    trial.rhai:2:9: Unexpected ';'
    "#);
    assert_snapshot!(outcome("step(\"a\", \"A\", || {\n  remark(\"x\");\n"), @r#"
    bad input
    trial.rhai:4:1: Expecting '}' to terminate this block
    "#);
    assert_snapshot!(outcome("remark(\"open"), @r#"
    bad input
    trial.rhai:2:8: Open string is not terminated
    "#);
}

#[test]
fn what_the_language_does_not_have() {
    assert_snapshot!(outcome(r#"eval("1 + 1");"#), @r#"
    bad input
    trial.rhai:2:1: 'eval' is not part of the language here (everything a script does stands in its file)
    "#);
    assert_snapshot!(outcome(r#"import "other" as o;"#), @r#"
    bad input
    trial.rhai:2:1: 'import' is not part of the language here (everything a script does stands in its file)
    "#);
    assert_snapshot!(outcome("sleep(1);"), @r#"
    bad input
    trial.rhai:2:1: no function sleep(number)
    "#);
    assert_snapshot!(outcome("let t = timestamp();"), @r#"
    bad input
    trial.rhai:2:9: no function timestamp()
    "#);
    assert_snapshot!(outcome("exit();"), @r#"
    bad input
    trial.rhai:2:1: no function exit()
    "#);
    assert_snapshot!(outcome(r#"parse_json("{}");"#), @r#"
    bad input
    trial.rhai:2:1: no function parse_json(text)
    "#);
}

#[test]
fn a_throw_and_an_error_of_the_language() {
    assert_snapshot!(outcome("throw \"no spanner\";"), @r#"
    bad input
    trial.rhai:2:1: the script gave up: no spanner
    "#);
    assert_snapshot!(outcome("let list = [1];\nlet x = list[3];"), @r#"
    bad input
    trial.rhai:3:14: Array index 3 out of bounds: only 1 element in array
    "#);
    assert_snapshot!(outcome("let x = 1 / 0;"), @r#"
    bad input
    trial.rhai:2:11: Division by zero: 1 / 0
    "#);
}

#[test]
fn a_note_that_is_not_there_or_cannot_be_kept() {
    assert_snapshot!(outcome("note(\"idle\", 850.rpm);\nlet x = noted(\"idel\");"), @r#"
    bad input
    trial.rhai:3:9: nothing is noted under 'idel' (did you mean 'idle'?)
    > note idle Quantity(Quantity { value: 850.0, unit: Unit("{rev}/min") })
    "#);
    assert_snapshot!(outcome("note(\"idle\", [1]);"), @r#"
    bad input
    trial.rhai:2:1: a note must be a quantity, a measurement, a text, a number, or yes or no
    "#);
}
