//! Small sessions for the tests of this room.

use std::collections::BTreeMap;

use model::{
    ChannelId, Event, EventEnvelope, Gap, GapReason, Moment, Quality, SCHEMA_VERSION, Sample, SessionId,
    Span, StationId, Uncertainty, Unit,
};

use crate::head::{ChannelHead, SessionHead};
use crate::row::Row;
use crate::tick::Tick;

/// Whether a test is to take all that it can take, as `tests/run --full` asks, instead of a share.
pub(crate) fn in_full() -> bool {
    std::env::var_os("HOLDGATE_IN_FULL").is_some_and(|value| value == "1")
}

/// 2026-11-25T08:00:00Z.
pub(crate) const STARTED: i64 = 1_795_593_600_000_000_000;

pub(crate) fn head(session: &str) -> SessionHead {
    let channel = |id: &str, unit: &str, factor: f64| ChannelHead {
        id: ChannelId::new(id).unwrap(),
        title: format!("the {id}"),
        unit: Unit::new(unit).unwrap(),
        factor,
        offset: 0.0,
        resolution: factor,
        noise: factor / 8.0,
        shared: factor / 4.0,
        rounding: "nearest".into(),
    };
    SessionHead {
        session: SessionId::new(session).unwrap(),
        station: StationId::new("bench").unwrap(),
        car: "bench-car".into(),
        procedure: Some("idle-set-up".into()),
        program: "0.1.0".into(),
        utc_nanos: STARTED,
        job: model::Job::default(),
        tags: BTreeMap::from([("who".into(), "me".into())]),
        description_sha256: "d1".into(),
        script_sha256: None,
        channels: vec![channel("rpm", "{rev}/min", 25.0), channel("volts", "V", 0.02)],
    }
}

pub(crate) fn sample(channel: &str, at: i64, raw: i64) -> Sample {
    let factor = if channel == "rpm" { 25.0 } else { 0.02 };
    Sample {
        channel: ChannelId::new(channel).unwrap(),
        at: Moment(at),
        time_uncertainty: Span(400_000),
        raw,
        value: raw as f64 * factor,
        uncertainty: Uncertainty { noise: factor / 8.0, resolution: factor, shared: factor / 4.0 },
        quality: Quality::Good,
    }
}

pub(crate) fn gap(channel: &str, at: i64, why: GapReason) -> Gap {
    Gap { channel: ChannelId::new(channel).unwrap(), at: Moment(at), half: Span(25_000_000), why }
}

/// A row as it is kept: with its interval in whole ticks.
pub(crate) fn kept(row: &Row) -> Row {
    let tick = Tick::of(row.at(), row.half());
    match row.clone() {
        Row::Sample(sample) => Row::Sample(Sample { at: tick.at(), time_uncertainty: tick.span(), ..sample }),
        Row::Gap(gap) => Row::Gap(Gap { at: tick.at(), half: tick.span(), ..gap }),
    }
}

/// Rows as they are read back: kept, and in the order of time; those of one moment in the order of the head's
/// channels, strangers after them.
pub(crate) fn read_back(rows: &[Row]) -> Vec<Row> {
    let channels: Vec<ChannelId> = head("s").channels.into_iter().map(|c| c.id).collect();
    let place = |row: &Row| channels.iter().position(|c| c == row.channel()).unwrap_or(channels.len());
    let mut rows: Vec<Row> = rows.iter().map(kept).collect();
    rows.sort_by_key(|row| (row.at(), place(row)));
    rows
}

pub(crate) fn event(session: &str, seq: u64, at: i64, text: &str) -> EventEnvelope {
    wrap(session, seq, at, Event::Remark { text: text.into() })
}

pub(crate) fn wrap(session: &str, seq: u64, at: i64, event: Event) -> EventEnvelope {
    EventEnvelope {
        schema: SCHEMA_VERSION,
        seq,
        station: StationId::new("bench").unwrap(),
        session: SessionId::new(session).unwrap(),
        at: Moment(at),
        event,
    }
}
