//! Values of the running car.

use std::sync::Arc;

use model::{Ending, Estimate, Quantity, Span};
use rhai::{Array, Dynamic, NativeCallContext};

use super::{said, texts};
use crate::host::Scripted;
use crate::host::fault::misuse;
use crate::host::quantity::span;
use crate::host::registrar::Registrar;
use crate::host::sense::{Gives, Meaning, Of, Role};
use crate::host::shared::Shared;
use crate::room::{Fail, Halt};

/// How old the newest reading may be, unless the script says otherwise.
const WITHIN: Span = Span::from_secs(2);

/// A mean with its interval, or the knowledge that there is none.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Measurement {
    pub(super) name: String,
    pub(super) estimate: Option<Estimate>,
}

impl Measurement {
    fn part(&self, pick: fn(&Estimate) -> f64) -> Result<Quantity, Fail> {
        self.estimate().map(|estimate| Quantity::new(pick(estimate), estimate.unit.clone()))
    }

    /// The estimate. A script that needs one where there is none cannot decide anything, which is no fault of
    /// the script: it may ask `.known` first.
    pub(super) fn estimate(&self) -> Result<&Estimate, Fail> {
        self.estimate.as_ref().ok_or_else(|| {
            let why = format!("'{}' has no value: there were too few readings", self.name);
            Fail::Halt(Halt { ending: Ending::Undecided, why })
        })
    }

    fn words(&self) -> String {
        self.estimate.as_ref().map_or_else(|| "no value".into(), ToString::to_string)
    }
}

/// A reading, or nothing.
const LATEST: Gives = Gives::Maybe(&Gives::Quantity(Of::Like(0)));

pub(super) fn register(r: &mut Registrar<'_>) {
    r.area("values");
    r.named::<Measurement>("measurement");

    // poll(channels: list of text, period: time) -> nothing
    let shared = Arc::clone(&r.shared);
    r.function(
        "poll",
        "poll([channel, …], period)",
        "Has these channels read and recorded this often from here on, or as often as the link can.",
        move |ctx: NativeCallContext<'_>, channels: Array, period: Quantity| -> Scripted<()> {
            shared.call(&ctx, |state| {
                let names = texts(channels, "the channels")?;
                let ids = names.iter().map(|n| Ok(state.channel(n)?.0)).collect::<Result<Vec<_>, _>>()?;
                if ids.is_empty() {
                    return Err(misuse("the list of channels is empty", "name at least one"));
                }
                state.room.poll(&ids, span(&period, "the period")?)
            })
        },
    )
    .takes(&[Role::Channels, Role::Time])
    .means(Meaning::Poll)
    .does();

    // rest(channels: list of text) -> nothing
    let shared = Arc::clone(&r.shared);
    r.function(
        "rest",
        "rest([channel, …])",
        "Has these channels read no more, so that others are read more often, until something asks for them again.",
        move |ctx: NativeCallContext<'_>, channels: Array| -> Scripted<()> {
            shared.call(&ctx, |state| {
                let names = texts(channels, "the channels")?;
                let ids = names.iter().map(|n| Ok(state.channel(n)?.0)).collect::<Result<Vec<_>, _>>()?;
                state.room.rest(&ids)
            })
        },
    )
    .takes(&[Role::Channels])
    .means(Meaning::Rest)
    .does();

    // has_channel(channel: text) -> yes or no
    let shared = Arc::clone(&r.shared);
    r.function(
        "has_channel",
        "has_channel(channel)",
        "Whether this car has the channel; the header names it under may_channels.",
        move |ctx: NativeCallContext<'_>, channel: &str| -> Scripted<bool> {
            shared.call(&ctx, |state| state.has_channel(channel))
        },
    )
    .takes(&[Role::MayChannel])
    .means(Meaning::Has);

    // measure(channel: text, name: text, over: time) -> measurement
    let shared = Arc::clone(&r.shared);
    r.function(
        "measure",
        "measure(channel, name, time)",
        "Averages a channel for this long and records it under a name.",
        move |ctx: NativeCallContext<'_>,
              channel: &str,
              name: &str,
              over: Quantity|
              -> Scripted<Measurement> {
            shared.call(&ctx, |state| {
                let (id, _) = state.channel(channel)?;
                let (name, over) = (said(name, "the name")?, span(&over, "the time")?);
                let measured = state.room.measure(&id, &name, over)?;
                Ok(Measurement { name, estimate: measured.estimate })
            })
        },
    )
    .takes(&[Role::Channel, Role::Said, Role::Time])
    .gives(Gives::Measurement(Of::Like(0)))
    .means(Meaning::Measure)
    .does();
    type Pick = fn(&Estimate) -> f64;
    let parts: [(&str, &str, &str, Pick); 3] = [
        ("value", "measurement.value", "The mean of the readings.", |e| e.value),
        ("low", "measurement.low", "The lower end of its 95 % interval.", |e| e.low),
        ("high", "measurement.high", "The upper end of its 95 % interval.", |e| e.high),
    ];
    for (name, signature, summary, pick) in parts {
        let shared = Arc::clone(&r.shared);
        r.try_getter(name, signature, summary, move |ctx: NativeCallContext<'_>, m: &mut Measurement| {
            shared.call(&ctx, |_| m.part(pick))
        })
        .gives(Gives::Quantity(Of::Like(0)));
    }
    r.getter(
        "known",
        "measurement.known",
        "Whether there were enough readings for a value.",
        |m: &mut Measurement| m.estimate.is_some(),
    );
    r.words::<Measurement>("measurement", Measurement::words);

    // change(from: measurement, to: measurement) -> measurement
    let shared = Arc::clone(&r.shared);
    r.function(
        "change",
        "change(from, to)",
        "How far the second measurement lies above the first, with its 95 % interval.",
        move |ctx: NativeCallContext<'_>, from: Measurement, to: Measurement| {
            shared.call(&ctx, |_| change(&from, &to))
        },
    )
    .takes(&[Role::Plain, Role::Like(0)])
    .gives(Gives::Measurement(Of::Like(1)));

    // latest(channel: text) -> quantity or nothing; latest(channel: text, age: time) likewise
    let shared = Arc::clone(&r.shared);
    r.function(
        "latest",
        "latest(channel)",
        "The newest usable reading, or () when there is none within 2 seconds.",
        move |ctx: NativeCallContext<'_>, channel: &str| newest(&shared, &ctx, channel, None),
    )
    .takes(&[Role::Channel])
    .gives(LATEST)
    .does();
    let shared = Arc::clone(&r.shared);
    r.function(
        "latest",
        "latest(channel, age)",
        "The newest usable reading no older than this, or ().",
        move |ctx: NativeCallContext<'_>, channel: &str, age: Quantity| {
            newest(&shared, &ctx, channel, Some(&age))
        },
    )
    .takes(&[Role::Channel, Role::Time])
    .gives(LATEST)
    .does();
}

/// The difference of two means. Their half-widths are combined as the root of the sum of squares (JCGM
/// 100:2008, 5.1.2, from memory); what both share would cancel, so the interval is rather too wide than too
/// narrow.
fn change(from: &Measurement, to: &Measurement) -> Result<Measurement, Fail> {
    let (a, b) = (from.estimate()?, to.estimate()?);
    let factor = a.unit.convert_difference(1.0, &b.unit);
    let factor = factor.map_err(|e| misuse(e.to_string(), "compare measurements of one kind"))?;
    let start = a.unit.convert(a.value, &b.unit).map_err(|e| misuse(e.to_string(), "compare one kind"))?;
    let (value, half) = (b.value - start, b.half_width().hypot(a.half_width() * factor));
    let estimate = Estimate { value, low: value - half, high: value + half, unit: b.unit.clone() };
    Ok(Measurement { name: format!("{} against {}", to.name, from.name), estimate: Some(estimate) })
}

fn newest(
    shared: &Shared,
    ctx: &NativeCallContext<'_>,
    channel: &str,
    age: Option<&Quantity>,
) -> Scripted<Dynamic> {
    shared.call(ctx, |state| {
        let (id, unit) = state.channel(channel)?;
        let within = age.map_or(Ok(WITHIN), |age| span(age, "the age"))?;
        Ok(match state.room.latest(&id, within)? {
            Some(sample) if sample.quality.usable() => Dynamic::from(Quantity::new(sample.value, unit)),
            _ => Dynamic::UNIT,
        })
    })
}
