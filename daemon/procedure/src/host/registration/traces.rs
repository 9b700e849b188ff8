//! The course of a channel: how it moved, reading by reading.

use std::sync::Arc;

use model::{Quantity, TracePoint, Unit};
use rhai::{Dynamic, INT, NativeCallContext};

use super::said;
use super::values::Measurement;
use crate::host::Scripted;
use crate::host::fault::misuse;
use crate::host::quantity::{fits, span};
use crate::host::registrar::Registrar;
use crate::host::sense::{Gives, Meaning, Of, Role};

/// The readings of a channel over a time.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Trace {
    unit: Unit,
    readings: Vec<f64>,
    /// Seconds between each reading and the one before it.
    gaps: Vec<f64>,
}

/// Readings further apart than this, in seconds, are no neighbours: what the channel did between them is unknown.
const NEIGHBOURS: f64 = 2.0;

impl Trace {
    fn quantity(&self, value: Option<f64>) -> Dynamic {
        value.map_or(Dynamic::UNIT, |value| Dynamic::from(Quantity::new(value, self.unit.clone())))
    }

    /// Standard deviation of the readings; none for fewer than two.
    fn scatter(&self) -> Option<f64> {
        let n = self.readings.len() as f64;
        if self.readings.len() < 2 {
            return None;
        }
        let mean = self.readings.iter().sum::<f64>() / n;
        let squares: f64 = self.readings.iter().map(|x| (x - mean).powi(2)).sum();
        Some((squares / (n - 1.0)).sqrt())
    }

    /// The number of neighbours further apart than `by`.
    fn jumps(&self, by: f64) -> usize {
        let pairs = self.readings.windows(2).zip(&self.gaps);
        pairs.filter(|(two, gap)| **gap <= NEIGHBOURS && (two[1] - two[0]).abs() > by).count()
    }

    /// How often the readings went back by more than `by` on their way up to the highest, or came up by more than
    /// that on their way down from it.
    fn dips(&self, by: f64) -> usize {
        let top = self.readings.iter().enumerate().max_by(|a, b| a.1.total_cmp(b.1)).map_or(0, |(i, _)| i);
        let backwards = |way: &mut dyn Iterator<Item = f64>| {
            let (mut highest, mut dips, mut inside) = (f64::NEG_INFINITY, 0, false);
            for value in way {
                let back = highest - value > by;
                dips += usize::from(back && !inside);
                inside = back;
                highest = highest.max(value);
            }
            dips
        };
        let up = backwards(&mut self.readings[..(top + 1).min(self.readings.len())].iter().copied());
        // The way down, looked at backwards, is a way up.
        up + backwards(&mut self.readings[top..].iter().rev().copied())
    }
}

pub(super) fn register(r: &mut Registrar<'_>) {
    r.area("traces");
    r.named::<Trace>("trace");

    // trace(channel: text, name: text, over: time) -> trace
    let shared = Arc::clone(&r.shared);
    r.function(
        "trace",
        "trace(channel, name, time)",
        "Watches a channel, read nearly alone, for this long and gives its course.",
        move |ctx: NativeCallContext<'_>, channel: &str, name: &str, over: Quantity| -> Scripted<Trace> {
            shared.call(&ctx, |state| {
                let (id, unit) = state.channel(channel)?;
                let (name, over) = (said(name, "the name")?, span(&over, "the time")?);
                let readings = state.room.trace(&id, &name, over)?;
                let gap = |two: &[TracePoint]| two[1].at.since(two[0].at).as_secs_f64();
                Ok(Trace {
                    unit,
                    gaps: readings.windows(2).map(gap).collect(),
                    readings: readings.iter().map(|point| point.value).collect(),
                })
            })
        },
    )
    .takes(&[Role::Channel, Role::Said, Role::Time])
    .gives(Gives::Trace(Of::Like(0)))
    .means(Meaning::Trace)
    .does();
    r.getter("readings", "trace.readings", "How many readings there were.", |t: &mut Trace| {
        t.readings.len() as INT
    });
    type Pick = fn(&Trace) -> Option<f64>;
    let parts: [(&str, &str, &str, Pick); 5] = [
        ("first", "trace.first", "The first reading, or ().", |t| t.readings.first().copied()),
        ("last", "trace.last", "The last reading, or ().", |t| t.readings.last().copied()),
        ("lowest", "trace.lowest", "The lowest reading, or ().", |t| {
            t.readings.iter().copied().min_by(f64::total_cmp)
        }),
        ("highest", "trace.highest", "The highest reading, or ().", |t| {
            t.readings.iter().copied().max_by(f64::total_cmp)
        }),
        ("scatter", "trace.scatter", "The standard deviation of the readings, or ().", Trace::scatter),
    ];
    for (name, signature, summary, pick) in parts {
        r.getter(name, signature, summary, move |t: &mut Trace| t.quantity(pick(t)))
            .gives(Gives::Maybe(&Gives::Quantity(Of::Like(0))));
    }
    type Count = fn(&Trace, f64) -> usize;
    let counts: [(&str, &str, &str, Count); 2] = [
        (
            "dips",
            "trace.dips(by)",
            "How often it went back by more than this on its way to the highest reading or from it.",
            Trace::dips,
        ),
        (
            "jumps",
            "trace.jumps(by)",
            "How many neighbouring readings lie further apart than this.",
            Trace::jumps,
        ),
    ];
    for (name, signature, summary, count) in counts {
        let shared = Arc::clone(&r.shared);
        r.function(
            name,
            signature,
            summary,
            move |ctx: NativeCallContext<'_>, trace: Trace, by: Quantity| -> Scripted<INT> {
                shared.call(&ctx, |_| {
                    fits(&by, &trace.unit, "the trace")?;
                    let by = by.difference_to(&trace.unit).map_err(|e| misuse(e.to_string(), ""))?;
                    Ok(count(&trace, by.value) as INT)
                })
            },
        )
        .takes(&[Role::Plain, Role::Like(0)]);
    }

    // time_to(channel: text, level: quantity) -> measurement or nothing
    let shared = Arc::clone(&r.shared);
    r.function(
        "time_to",
        "time_to(channel, level)",
        "How long until a rising channel reaches a level, from a rise fitted to its last minutes; () where it shows none.",
        move |ctx: NativeCallContext<'_>, channel: &str, level: Quantity| -> Scripted<Dynamic> {
            shared.call(&ctx, |state| {
                let (id, unit) = state.channel(channel)?;
                fits(&level, &unit, &format!("'{channel}'"))?;
                let time = state.room.forecast(&id, &level)?;
                Ok(time.map_or(Dynamic::UNIT, |estimate| {
                    Dynamic::from(Measurement { name: format!("time to {channel}"), estimate: Some(estimate) })
                }))
            })
        },
    )
    .takes(&[Role::Channel, Role::Like(0)])
    .gives(Gives::Maybe(&Gives::Measurement(Of::Unit("s"))))
    .does();
}

#[cfg(test)]
mod tests {
    use super::*;

    fn trace(readings: &[f64]) -> Trace {
        Trace { unit: Unit::one(), readings: readings.to_vec(), gaps: vec![0.2; readings.len().max(1) - 1] }
    }

    #[test]
    fn a_smooth_sweep_has_no_dips_and_each_step_back_is_one() {
        let smooth: Vec<f64> = (0..50).chain((0..50).rev()).map(f64::from).collect();
        assert_eq!(trace(&smooth).dips(0.5), 0);
        let mut worn = smooth;
        (worn[10], worn[11], worn[30], worn[70]) = (2.0, 2.0, 25.0, 48.0);
        assert_eq!(trace(&worn).dips(3.0), 3);
        assert_eq!(trace(&worn).dips(100.0), 0);
        assert_eq!(trace(&[]).dips(1.0), 0);
    }

    #[test]
    fn scatter_is_the_standard_deviation_of_the_textbook() {
        // Eight numbers with mean 5 and squares 32: s = sqrt(32/7) (worked by hand).
        let scatter = trace(&[2.0, 4.0, 4.0, 4.0, 5.0, 5.0, 7.0, 9.0]).scatter().unwrap();
        assert!((scatter - (32.0f64 / 7.0).sqrt()).abs() < 1e-12);
        assert_eq!(trace(&[2.0, 4.0, 4.0, 4.0, 5.0, 5.0, 7.0, 9.0]).jumps(1.5), 3);
        assert_eq!(trace(&[1.0]).scatter(), None);
        let torn = Trace { gaps: vec![5.0], ..trace(&[1.0, 9.0]) };
        assert_eq!(torn.jumps(1.0), 0, "nobody knows what was in the gap");
    }
}
