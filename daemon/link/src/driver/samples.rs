//! Answers become samples, and samples are looked at by everyone concerned.

use model::event::WireFault;
use model::{Event, Moment, OutputId, Sample, Span};
use wire::kline::ExchangeTimes;

use super::Driver;
use super::pending::Pending;
use crate::config;
use crate::sides::Live;

/// How often at the most viewers are shown what is going on, in the station's time.
const SHOW_EVERY: Span = Span::from_millis(250);

impl Driver {
    /// A scheduled request was answered: one sample for each channel in it.
    ///
    /// The controller must have read what it tells between the end of the request and the start of the
    /// answer: the middle of that interval is the sample's time, half of it the time's uncertainty.
    pub(super) fn answered(&mut self, now: Moment, item: usize, data: &[u8], times: &ExchangeTimes) {
        let description = self.description.clone();
        let Some(request) = description.requests.get(item) else { return };
        let half = times.answering.since(times.asked) / 2;
        for channel in request.channels.iter().filter_map(|i| description.channels.get(*i)) {
            match channel.decode(data) {
                Ok(reading) => {
                    let sample = Sample {
                        channel: channel.id.clone(),
                        at: times.asked + half,
                        time_uncertainty: half,
                        raw: reading.raw,
                        value: reading.value,
                        uncertainty: reading.uncertainty,
                        quality: reading.quality,
                    };
                    self.sample(now, &sample);
                }
                // The length was checked against the description, so this is a fault of the description.
                Err(error) => {
                    tracing::error!(%error, channel = %channel.id, "an answer could not be read");
                    let request = hex(&request.bytes);
                    self.journal
                        .event(now, Event::WireFaulted { fault: WireFault::Malformed, request, attempt: 1 });
                }
            }
        }
        self.fresh = true;
    }

    fn sample(&mut self, now: Moment, sample: &Sample) {
        self.journal.sample(sample);
        self.board.put(sample);
        match &mut self.pending {
            Pending::Wait { judge, .. } => judge.sample(sample),
            Pending::Measure(measure)
                if measure.channel == sample.channel
                    && sample.quality.usable()
                    && sample.at >= measure.from
                    && sample.at < measure.until =>
            {
                measure.window.push(sample.at, sample.value, sample.raw);
            }
            Pending::Trace(trace) => trace.sample(sample),
            _ => {}
        }
        self.guards.iter_mut().for_each(|guard| guard.watch.judge.sample(sample));
        self.drops.iter_mut().for_each(|drop| drop.watch.judge.sample(sample));
        if sample.quality.usable() {
            self.show_effects(now, sample);
        }
    }

    /// Tells the wire what a channel shows of the outputs being released.
    fn show_effects(&mut self, now: Moment, sample: &Sample) {
        let outputs: Vec<OutputId> = self.intents.keys().cloned().collect();
        for output in outputs {
            let shown = config::shows_held(&self.description, &output, &sample.channel, sample.value);
            if let Some(held) = shown {
                self.conductor.effect(now, &output, held);
            }
        }
    }

    /// Shows viewers what is going on, now and then.
    pub(super) fn show(&mut self, now: Moment) {
        if now.since(self.shown_at) < SHOW_EVERY {
            return;
        }
        self.shown_at = now;
        let words = self.pending.words(now);
        let judgement = match &mut self.pending {
            Pending::Wait { judge, .. } => Some(judge.judge(now)),
            _ => None,
        };
        let first = judgement.as_ref().and_then(|judgement| judgement.findings.first());
        let recent = first.map(|finding| self.board.recent(&finding.channel)).unwrap_or_default();
        let live = Live {
            now,
            link_up: self.link_up,
            waiting_for: &words,
            judgement: judgement.as_ref(),
            recent: &recent,
        };
        self.viewer.show(&live);
    }
}

/// Bytes as people write them.
pub(super) fn hex(bytes: &[u8]) -> String {
    let parts: Vec<String> = bytes.iter().map(|byte| format!("{byte:02X}")).collect();
    parts.join(" ")
}
