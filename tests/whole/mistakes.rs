//! A hundred single mistakes as people make them in the shipped procedures: a name misspelt, a unit mixed up, a
//! limit forgotten, a window too fine, a bracket lost. Each is put in alone.
//!
//! They are the project's own, from common practice; there is no published source.

/// One mistake.
pub(crate) struct Mistake {
    /// The shipped procedure.
    pub(crate) script: &'static str,
    /// A text that stands in it once.
    pub(crate) right: &'static str,
    /// What is written in its place.
    pub(crate) wrong: &'static str,
    /// A text of the line that must be told where that is not the line of the mistake: what is left out is missed
    /// where it is needed. Empty otherwise.
    pub(crate) at: &'static str,
    /// The kind that must be told.
    pub(crate) kind: &'static str,
}

const fn slip(script: &'static str, right: &'static str, wrong: &'static str, kind: &'static str) -> Mistake {
    Mistake { script, right, wrong, at: "", kind }
}

const fn left_out(
    script: &'static str,
    right: &'static str,
    wrong: &'static str,
    at: &'static str,
    kind: &'static str,
) -> Mistake {
    Mistake { script, right, wrong, at, kind }
}

const BASE: &str = "base-idle";
const COLD: &str = "cold-start";
const HOLD: &str = "hold-demo";

pub(crate) const MISTAKES: &[Mistake] = &[
    // Names of channels.
    slip(HOLD, r#"above("coolant", setup"#, r#"above("coolent", setup"#, "channel"),
    slip(
        BASE,
        r#"measure("rpm", "idle before the hold""#,
        r#"measure("rmp", "idle before the hold""#,
        "channel",
    ),
    slip(COLD, r#"measure("intake_air", "#, r#"measure("intake_air_temp", "#, "channel"),
    slip(BASE, r#"flag("closed_switch")"#, r#"flag("close_switch")"#, "channel"),
    slip(
        HOLD,
        r#"channels: ["rpm", "coolant", "battery","#,
        r#"channels: ["rpm", "coolant", "batery","#,
        "channel",
    ),
    slip(COLD, r#"judged("idle_warm", "rpm", idle"#, r#"judged("rpm", "idle_warm", idle"#, "channel"),
    slip(BASE, r#"measure("long_trim", "#, r#"measure("long_term_trim", "#, "channel"),
    slip(HOLD, r#"measure("rpm", "idle before","#, r#"measure("rpm_quick", "idle before","#, "undeclared"),
    // Names of outputs.
    slip(HOLD, r#"hold("idle_valve", place"#, r#"hold("idle_vlave", place"#, "output"),
    slip(
        BASE,
        "if reads_while_held(\"idle_valve\") {\n        for attempt",
        "if reads_while_held(\"idle_valv\") {\n        for attempt",
        "output",
    ),
    slip(HOLD, r#"outputs: ["idle_valve"]"#, r#"outputs: ["idle_valves"]"#, "output"),
    // Names of set-up values.
    slip(HOLD, r#"found + setup("hold_step")"#, r#"found + setup("hold_steps")"#, "setup"),
    slip(BASE, r#"let target = setup("base_idle_speed");"#, r#"let target = setup("base_idle");"#, "setup"),
    slip(COLD, r#"heat > setup("too_hot")"#, r#"heat > setup("to_hot")"#, "setup"),
    slip(BASE, r#"setup("key_off_time")"#, r#"setup("key_of_time")"#, "setup"),
    slip(
        BASE,
        "has_setup(\"idle_valve_room\") {\n        let valve",
        "has_setup(\"valve_room\") {\n        let valve",
        "setup",
    ),
    slip(
        COLD,
        r#"battery, setup("engine_off_battery")"#,
        r#"battery, setup("closed_throttle")"#,
        "undeclared",
    ),
    left_out(
        BASE,
        r#""idle_speed", "base_idle_speed""#,
        r#""base_idle_speed""#,
        r#"judged("idle_released""#,
        "undeclared",
    ),
    // Functions.
    slip(HOLD, "remark(`Idle before", "remrk(`Idle before", "function"),
    slip(COLD, r#"call_out("The engine has stopped.")"#, r#"callout("The engine has stopped.")"#, "function"),
    slip(BASE, r#"not_offered("fuel trims")"#, r#"not_ofered("fuel trims")"#, "function"),
    slip(HOLD, "let rise = change(", "let rise = diff(", "function"),
    slip(BASE, r#"ask_choice(act, "#, r#"ask_options(act, "#, "function"),
    // Methods and properties.
    slip(BASE, ".over(1500.milliseconds)", ".ower(1500.milliseconds)", "function"),
    slip(HOLD, "rise.low <= 0.rpm", "rise.lower <= 0.rpm", "property"),
    slip(BASE, "course.jumps(6.kelvin)", "course.jump(6.kelvin)", "function"),
    slip(BASE, "seen.dips(closed.width)", "seen.dips", "property"),
    slip(
        BASE,
        "if seen.outcome == \"met\" {\n            return true",
        "if seen.result == \"met\" {\n            return true",
        "property",
    ),
    slip(BASE, "if held.condition == 1 {", "if held.cause == 1 {", "property"),
    slip(COLD, r#"standing.outcome != "met""#, r#"standing.outcom != "met""#, "property"),
    slip(BASE, "${target.middle}. The first", "${target.mid}. The first", "property"),
    // Units.
    slip(HOLD, r#"below("rpm", setup("lowest_idle"))"#, r#"below("rpm", 450.celsius)"#, "unit"),
    slip(HOLD, ".limit(30.minutes)", ".limit(30.min)", "unit"),
    slip(BASE, r#"within("rpm", aim.low, aim.high)"#, r#"within("rpm", aim.high, aim.low)"#, "value"),
    slip(BASE, r#""idle, course", 20.seconds"#, r#""idle, course", 20.rpm"#, "unit"),
    slip(BASE, "swing.scatter > 35.rpm", "swing.scatter > 35.volts", "unit"),
    slip(COLD, r#"setup("warm_coolant") - 30.celsius"#, r#"setup("warm_coolant") - 30.rpm"#, "unit"),
    slip(BASE, "now != () && now > setup(\"lowest_idle\")", "now > setup(\"lowest_idle\")", "absent"),
    slip(BASE, "window(-12.percent, 12.percent)", "window(-12.celsius, 12.percent)", "unit"),
    slip(BASE, "high: 20.turns", "high: 20.steps", "unit"),
    slip(HOLD, "place - 1.step", "place - 1.rpm", "unit"),
    slip(
        BASE,
        r#"below("fan", quantity(0.5, "1")).dwell(4.seconds)"#,
        r#"below("fan", quantity(0.5, "one")).dwell(4.seconds)"#,
        "unit",
    ),
    slip(
        BASE,
        r#"judged("idle_released", "rpm", idle, setup("idle_speed")"#,
        r#"judged("idle_released", "rpm", idle, setup("closed_throttle")"#,
        "unit",
    ),
    slip(BASE, r#"time_to("coolant", level)"#, r#"time_to("rpm", level)"#, "unit"),
    slip(BASE, r#"setup("hold_step") * 2;"#, r#"setup("hold_step") * 2.steps;"#, "unit"),
    slip(BASE, r#"now > setup("lowest_idle") {"#, "now > 450 {", "unit"),
    // Arguments: their number, their kinds, their order.
    slip(HOLD, "at_most: 20.seconds", "at_most: 20", "arguments"),
    slip(HOLD, ".over(4.seconds)", ".over(4)", "arguments"),
    slip(BASE, r#""Let the plate go.", 5.minutes"#, r#""Let the plate go.""#, "arguments"),
    slip(
        BASE,
        r#"measure("coolant", "coolant as found", 4.seconds)"#,
        r#"measure("coolant", 4.seconds)"#,
        "arguments",
    ),
    slip(COLD, "result(name, channel, seen, window)", "result(name, seen, window)", "arguments"),
    slip(COLD, r#"note("idle_cold", first)"#, r#"note(first, "idle_cold")"#, "arguments"),
    slip(
        BASE,
        r#"skip("valve", "See the idle follow its valve, up and back", "the controller refuses readings while the valve is held")"#,
        r#"skip("valve", "See the idle follow its valve, up and back")"#,
        "arguments",
    ),
    slip(HOLD, r#"step("before", "See the idle as it is", ||"#, r#"step("before", ||"#, "arguments"),
    slip(BASE, "fan_rests_within(60.seconds)", "fan_rests_within()", "arguments"),
    slip(BASE, "let aim = aim_of(target);", "let aim = aim_of(target.middle);", "property"),
    slip(
        BASE,
        r#"drop_if: limits() };
        fan_rests();"#,
        r#"drop_if: lowest_idle() };
        fan_rests();"#,
        "function",
    ),
    slip(
        HOLD,
        r#"drop_if: [below("rpm", setup("lowest_idle"))]"#,
        r#"drop_if: below("rpm", setup("lowest_idle"))"#,
        "arguments",
    ),
    slip(COLD, "for minute in 0..32 {", "for minute in 32 {", "syntax"),
    slip(BASE, r#"["done", "it will not go further"], 5.minutes)"#, r#"["done"], 5.minutes)"#, "value"),
    slip(
        BASE,
        "target.high).over(4.seconds), below",
        "target.high).over(4.seconds).dwell(4.seconds), below",
        "value",
    ),
    // Variables.
    slip(BASE, "note(\"sweep_dips\", dips.counts)", "note(\"sweep_dips\", dip.counts)", "variable"),
    slip(HOLD, "change(before, held)", "change(before, during)", "variable"),
    slip(
        BASE,
        "if flag(\"fan\") == \"off\" {\n        return true;",
        "if fan == \"off\" {\n        return true;",
        "variable",
    ),
    // Limits and times.
    slip(HOLD, ".over(4.seconds).limit(9.seconds)", ".over(4.seconds)", "limit"),
    slip(COLD, ".dwell(3.seconds).limit(40.seconds)", ".dwell(3.seconds)", "limit"),
    slip(BASE, "gate.dwell(4.seconds).limit(30.seconds)", "gate.dwell(4.seconds)", "limit"),
    slip(
        BASE,
        r#"above("coolant", level).dwell(10.seconds)"#,
        r#"above("coolant", level).dwell(10.minutes)"#,
        "time",
    ),
    slip(
        BASE,
        r#"steady("battery", 200.millivolts).over(8.seconds)"#,
        r#"steady("battery", 200.millivolts).over(80.seconds)"#,
        "time",
    ),
    slip(
        HOLD,
        "steady(\"rpm\", 60.rpm).over(10.seconds).limit(3.minutes));\n    note(\"idle_before\"",
        "steady(\"rpm\", 60.rpm).over(10.minutes).limit(3.minutes));\n    note(\"idle_before\"",
        "time",
    ),
    // Finer than the channel can tell, or too few readings for it.
    slip(
        HOLD,
        r#"steady("rpm", 60.rpm).over(4.seconds)"#,
        r#"steady("rpm", 1.rpm).over(4.seconds)"#,
        "resolution",
    ),
    slip(BASE, r#"steady("battery", 200.millivolts)"#, r#"steady("battery", 20.millivolts)"#, "resolution"),
    slip(
        BASE,
        "within(sensor, aim.low, aim.high)",
        "within(sensor, aim.low, aim.high).proven()",
        "resolution",
    ),
    slip(
        BASE,
        r#"steady("rpm", 40.rpm).over(8.seconds).limit(60.seconds)"#,
        r#"steady("rpm", 40.rpm).over(500.milliseconds).limit(60.seconds)"#,
        "rate",
    ),
    slip(
        BASE,
        r#""short-term trim " + when, 12.seconds"#,
        r#""short-term trim " + when, 500.milliseconds"#,
        "rate",
    ),
    slip(COLD, r#""intake air, cold", 6.seconds"#, r#""intake air, cold", 1.seconds"#, "rate"),
    // Holds and their keys.
    slip(HOLD, "#{ at_most: 20.seconds, drop_if", "#{ drop_if", "hold"),
    slip(BASE, "at_most: 4.minutes", "at_most: 40.minutes", "hold"),
    slip(
        BASE,
        r#"place, bounds, || { note("valve_base""#,
        r#"place * 10, bounds, || { note("valve_base""#,
        "hold",
    ),
    slip(HOLD, "drop_if:", "drop_of:", "key"),
    slip(BASE, "give_or_take: 0.15.turns", "giveortake: 0.15.turns", "key"),
    slip(COLD, "may_channels:", "maychannels:", "key"),
    // Steps, order, what is never reached.
    slip(BASE, r#"step("released","#, r#"step("warm","#, "step"),
    left_out(HOLD, "caution([", "let cautions = ([", "hold(\"idle_valve\"", "caution"),
    slip(
        HOLD,
        "let before = noted(\"idle_before\");",
        "return;\nlet before = noted(\"idle_before\");",
        "unreachable",
    ),
    slip(
        BASE,
        r#"if held.outcome == "done" {
                if held.value"#,
        r#"if held.outcome == "finished" {
                if held.value"#,
        "comparison",
    ),
    slip(BASE, r#"recognised == "unknown""#, r#"recognised == "unkown""#, "comparison"),
    slip(BASE, r#"15.minutes) == "no""#, r#"15.minutes) == "No""#, "comparison"),
    slip(
        BASE,
        "!has_note(\"base_idle_gated\") && noted(\"screw_at_end\") == \"between\"",
        "!has_note(\"base_idle_gated\") && noted(\"screw_at_end\") == \"in between\"",
        "comparison",
    ),
    slip(COLD, "coolant.value > setup", "coolant > setup", "comparison"),
    // The notebook.
    left_out(COLD, "    note(\"idle_warm\", idle);\n", "", "let fall = change(", "note"),
    slip(
        HOLD,
        r#"change(noted("idle_held"), noted("idle_after"))"#,
        r#"change(noted("idle_held"), noted("idle_afterwards"))"#,
        "note",
    ),
    slip(BASE, "note(\"valve_up_change\",", "note(\"valve_upchange\",", "note"),
    slip(BASE, r#"has_note("pinch_hoses_change")"#, r#"has_note("pinch_hose_change")"#, "note"),
    slip(
        HOLD,
        "step(\"hold\", \"Hold the idle valve and see the idle follow\", || {\n    let found = latest(\"idle_valve\");",
        "let found = latest(\"idle_valve\");\nstep(\"hold\", \"Hold the idle valve and see the idle follow\", || {",
        "carried",
    ),
    slip(
        COLD,
        "step(\"start\", \"Start it and see the idle come up\", || {",
        "let first = ();\nstep(\"start\", \"Start it and see the idle come up\", || {\n    first = latest(\"rpm\");",
        "carried",
    ),
    // The text itself.
    slip(COLD, r#"note("coolant_cold", coolant);"#, r#"note("coolant_cold", coolant;"#, "syntax"),
    slip(
        HOLD,
        r#"title: "Hold the idle valve and watch the idle","#,
        r#"title: "Hold the idle valve and watch the idle""#,
        "syntax",
    ),
    slip(BASE, r#"remark("no sweep was seen");"#, r#"remark("no sweep was seen);"#, "syntax"),
    slip(BASE, "let set = false;", "let set == false;", "syntax"),
];
