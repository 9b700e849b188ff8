//! A file with many mistakes at once, and how each is told.

use super::told;
use crate::load;

const MISTAKES: &str = r#"schema = 2
name = "Wrong Car"
title = ""
colour = "red"

[link]
dialect = "iso14230"
wakup = "fast"
baud = "10400"
controller_address = 0x12A
tester_address = 0xF1
header = "adressed"
controller_timeout_ms = "never"

[link.timing]
p2_min = 60
p4_min = nan

[[request]]
name = "block"
bytes = "21 G1"
answer_bytes = 4

[[request]]
name = "block"
bytes = "27 01"

[[channel]]
id = "rpm"
title = "Engine speed"
request = "blok"
at = 0
bytes = 2
facter = 0.5
unit = "rpm"

[[channel]]
id = "throttle"
title = "Throttle sensor"
request = "block"
at = 4
bytes = 1
bit = 3
factor = 0
unit = "V"
noise = -0.1
plausible = [4.9, 0.1]

[[channel]]
title = "Coolant"
request = "block"
at = 3.5
bytes = 1
unit = "Cel"
plausible = [1]

[[output]]
id = "idle_valve"
title = "Idle valve"
unit = "{step}"
range = [0, 300]
engage = "30 51 07"
release = "30 52 04"
longest_hold_s = 0
reading_while_held = "yes"
confirm = { channel = "rmp", held = 1, released = 1 }

[setup]
warm = { value = 75, unit = "degC", what = "warm" }
idle = { low = 950, high = 750, unit = "{rev}/min", what = "idle", channel = "throttle" }
half = { low = 1, unit = "V", what = "half a window" }
"#;

#[test]
fn every_mistake_is_told_at_once_with_its_line_and_key() {
    insta::assert_snapshot!(told(&load("wrong.toml", MISTAKES).unwrap_err()));
}

#[test]
fn broken_toml_is_told_line_by_line() {
    let text = "schema = 1\nname = \ntitle = \"x\n[link\nbaud = 10400\nbaud = 9600\n";
    insta::assert_snapshot!(told(&load("broken.toml", text).unwrap_err()));
}
