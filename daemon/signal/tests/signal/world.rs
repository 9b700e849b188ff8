//! What the checks share: published tables, seeded noise, channels and samples.

use std::collections::BTreeMap;

use holdgate_signal::ChannelFact;
use model::{ChannelId, Condition, Moment, Quality, Quantity, Sample, Span, Uncertainty, Unit, Watch};

/// The rows of a published table by column name. Quoted fields may hold commas.
pub(crate) fn table(text: &str) -> Vec<BTreeMap<String, String>> {
    let mut lines = text.lines().map(fields);
    let names = lines.next().expect("a table has a heading");
    lines.map(|row| names.iter().cloned().zip(row).collect()).collect()
}

fn fields(line: &str) -> Vec<String> {
    let (mut all, mut field, mut quoted) = (Vec::new(), String::new(), false);
    for c in line.chars() {
        match c {
            '"' => quoted = !quoted,
            ',' if !quoted => all.push(std::mem::take(&mut field)),
            c => field.push(c),
        }
    }
    all.push(field);
    all
}

pub(crate) fn number(row: &BTreeMap<String, String>, column: &str) -> f64 {
    row[column].trim().parse().unwrap_or_else(|_| panic!("{column} of {row:?} is not a number"))
}

/// A linear congruential generator with Knuth's MMIX multiplier (The Art of Computer Programming, vol. 2,
/// 3.3.4, table 1, from memory): small, seeded, good enough to scatter readings.
pub(crate) struct Noise(pub(crate) u64);

impl Noise {
    /// Evenly from 0 to 1, both excluded.
    pub(crate) fn even(&mut self) -> f64 {
        self.0 = self.0.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        ((self.0 >> 11) as f64 + 0.5) / (1u64 << 53) as f64
    }

    /// Standard normal, by Box and Muller.
    pub(crate) fn normal(&mut self) -> f64 {
        (-2.0 * self.even().ln()).sqrt() * (std::f64::consts::TAU * self.even()).cos()
    }
}

pub(crate) fn id(name: &str) -> ChannelId {
    ChannelId::new(name).unwrap()
}

pub(crate) fn unit(code: &str) -> Unit {
    Unit::new(code).unwrap()
}

pub(crate) fn quantity(value: f64, code: &str) -> Quantity {
    Quantity::new(value, unit(code))
}

pub(crate) fn at(seconds: f64) -> Moment {
    Moment::ZERO + Span::from_secs_f64(seconds)
}

pub(crate) fn fact(code: &str, resolution: f64, noise: f64) -> ChannelFact {
    ChannelFact { unit: unit(code), resolution, noise, shared: 0.0 }
}

/// Channels of an invented car.
pub(crate) fn facts() -> BTreeMap<ChannelId, ChannelFact> {
    BTreeMap::from([
        (id("rpm"), fact("{rev}/min", 1.0, 0.0)),
        (id("coolant"), fact("Cel", 1.0, 0.0)),
        (id("battery"), ChannelFact { shared: 0.01, ..fact("V", 0.1, 0.0) }),
        (id("throttle"), fact("V", 5.0 / 255.0, 0.0)),
    ])
}

pub(crate) fn sample(channel: &str, seconds: f64, value: f64) -> Sample {
    Sample {
        channel: id(channel),
        at: at(seconds),
        time_uncertainty: Span::from_millis(1),
        raw: (value * 1e3).round() as i64,
        value,
        uncertainty: Uncertainty::default(),
        quality: Quality::Good,
    }
}

pub(crate) fn watch(channel: &str, over: f64, fresh: f64) -> Watch {
    Watch { channel: id(channel), over: Span::from_secs_f64(over), fresh: Span::from_secs_f64(fresh) }
}

pub(crate) fn within(channel: &str, low: f64, high: f64, code: &str) -> Condition {
    Condition::Within {
        watch: watch(channel, 1.0, 0.5),
        low: quantity(low, code),
        high: quantity(high, code),
        hysteresis: None,
    }
}

pub(crate) fn above(channel: &str, level: f64, code: &str) -> Condition {
    Condition::Above { watch: watch(channel, 1.0, 0.5), level: quantity(level, code), hysteresis: None }
}
