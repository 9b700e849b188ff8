//! Scaling of service 01 of SAE J1979 (ISO 15031-5:2006, annex B). Rows marked MEMORY in the table are from memory.

use model::ChannelId;

use super::told;
use crate::load;

const TABLE: &str = include_str!("../../../../tests/published/02_pid_scaling.csv");

struct Row<'a> {
    pid: &'a str,
    bytes: &'a str,
    limits: (f64, f64),
    unit: &'a str,
    slope: &'a str,
    offset: &'a str,
    example: Vec<u8>,
    value: f64,
    origin: &'a str,
    note: &'a str,
}

fn rows() -> Vec<Row<'static>> {
    let row = |line: &'static str| {
        let fields: Vec<&str> = line.splitn(16, ',').collect();
        Row {
            pid: fields[1],
            bytes: fields[2],
            limits: (fields[4].parse().unwrap(), fields[5].parse().unwrap()),
            unit: fields[6],
            slope: fields[8],
            offset: fields[9],
            example: fields[10].split(' ').map(|b| u8::from_str_radix(b, 16).unwrap()).collect(),
            value: fields[11].parse().unwrap(),
            origin: fields[14],
            note: fields[15],
        }
    };
    TABLE.lines().skip(1).map(row).collect()
}

fn ucum(unit: &str) -> &str {
    match unit {
        "degC" => "Cel",
        "r/min" => "{rev}/min",
        "count" => "{count}",
        "ratio" => "1",
        "N m" => "N.m",
        same => same,
    }
}

/// One description with a request and a channel for every row.
fn description() -> String {
    let mut text = String::from(
        "schema = 1\nname = \"published\"\ntitle = \"Published scaling\"\n[link]\ndialect = \"iso14230\"\n\
         wakeup = \"fast\"\nbaud = 10400\ncontroller_address = 0x10\ntester_address = 0xF1\n\
         controller_timeout_ms = 5000\n",
    );
    for Row { pid, bytes, unit, slope, offset, .. } in rows() {
        let (name, unit) = (format!("pid_{}", pid.to_lowercase()), ucum(unit));
        text.push_str(&format!(
            "[[request]]\nname = \"{name}\"\nbytes = \"01 {pid}\"\nanswer_bytes = {bytes}\n\
             [[channel]]\nid = \"{name}\"\ntitle = \"{name}\"\nrequest = \"{name}\"\nat = 0\nbytes = {bytes}\n\
             factor = {slope}\noffset = {offset}\nunit = \"{unit}\"\n"
        ));
    }
    text
}

#[test]
fn every_published_example_is_read_as_published() {
    let description = load("published.toml", &description()).unwrap_or_else(|p| panic!("{}", told(&p)));
    let rows = rows();
    assert_eq!(description.channels.len(), rows.len());
    for row in &rows {
        let id = ChannelId::new(&format!("pid_{}", row.pid.to_lowercase())).unwrap();
        let channel = description.channel(&id).unwrap();
        let pid = u8::from_str_radix(row.pid, 16).unwrap();
        let answer: Vec<u8> = [0x41, pid].into_iter().chain(row.example.iter().copied()).collect();
        let data = description.request_of(channel).unwrap().data(&answer).unwrap();
        let got = channel.decode(data).unwrap().value;
        // The table prints six decimals.
        assert!((got - row.value).abs() <= 5.1e-7, "{} ({}): {got} for {}", row.pid, row.origin, row.value);

        let (low, high) = channel.reach();
        assert!((low - row.limits.0).abs() < 1e-6, "{} ({}): from {low}", row.pid, row.origin);
        // Limits are published with three decimals or more. Two of them contradict the published formula; the
        // table says so in its note.
        let agrees = (high - row.limits.1).abs() < 5.1e-4;
        assert_eq!(agrees, !row.note.contains("CONFLICT"), "{} ({}): up to {high}", row.pid, row.origin);
    }
}

#[test]
fn the_table_says_which_rows_were_read_in_a_source() {
    let read = rows().iter().filter(|row| row.origin == "READ").count();
    let memory = rows().iter().filter(|row| row.origin == "MEMORY").count();
    assert_eq!((read, memory, read + memory), (14, 29, rows().len()));
}
