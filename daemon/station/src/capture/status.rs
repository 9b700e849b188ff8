//! The one live line of a capture.

use std::collections::BTreeMap;
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::{Arc, Mutex, MutexGuard, TryLockError};

use link::{Live, Viewer};
use model::{ChannelId, Moment, Sample};

/// Channels that the line has room for.
const SHOWN: usize = 4;

/// How many readings there were of a channel, from when to when.
#[derive(Debug, Clone, Copy)]
struct Course {
    readings: u64,
    first: Moment,
    last: Moment,
}

#[derive(Debug, Default)]
struct Inner {
    /// What is being done.
    doing: String,
    /// The channels that are shown, with their newest readings.
    newest: Vec<(ChannelId, String)>,
    readings: u64,
    gaps: u64,
    by_channel: BTreeMap<ChannelId, Course>,
}

#[derive(Debug, Default)]
struct Shared {
    inner: Mutex<Inner>,
    /// Counted by the wire's thread as well, which must not wait for the keeper's.
    lost: AtomicU64,
}

/// What the live line tells; copies share it.
#[derive(Debug, Clone, Default)]
pub(super) struct Status(Arc<Shared>);

impl Status {
    fn inner(&self) -> MutexGuard<'_, Inner> {
        self.0.inner.lock().expect("nothing panics while it holds this lock")
    }

    /// What is being done from now on.
    pub(super) fn doing(&self, text: String) {
        self.inner().doing = text;
    }

    /// A reading came; `kept` where it is kept.
    pub(super) fn reading(&self, sample: &Sample, kept: bool) {
        let text = format!("{:.1}", sample.value);
        let mut inner = self.inner();
        if kept {
            inner.readings += 1;
            let course = Course { readings: 0, first: sample.at, last: sample.at };
            let course = inner.by_channel.entry(sample.channel.clone()).or_insert(course);
            course.readings += 1;
            course.last = sample.at;
        }
        let place = inner.newest.iter().position(|(id, _)| *id == sample.channel);
        match place {
            Some(i) => inner.newest[i].1 = text,
            None if inner.newest.len() < SHOWN => inner.newest.push((sample.channel.clone(), text)),
            None => {}
        }
    }

    /// A gap is kept.
    pub(super) fn gap(&self) {
        self.inner().gaps += 1;
    }

    /// So many records were lost.
    pub(super) fn lost(&self, count: u64) {
        self.0.lost.fetch_add(count, Ordering::Relaxed);
    }

    /// Readings, gaps and lost records so far.
    pub(super) fn counts(&self) -> (u64, u64, u64) {
        let inner = self.inner();
        (inner.readings, inner.gaps, self.0.lost.load(Ordering::Relaxed))
    }

    /// Readings a second of each channel, between its first and its last.
    pub(super) fn rates(&self) -> BTreeMap<ChannelId, f64> {
        let inner = self.inner();
        let rate = |course: &Course| {
            let time = course.last.since(course.first).as_secs_f64();
            (time > 0.0).then(|| (course.readings - 1) as f64 / time)
        };
        inner.by_channel.iter().filter_map(|(id, course)| Some((id.clone(), rate(course)?))).collect()
    }

    /// The line, but for the time and the link, which every live line has; none while somebody else is at it.
    fn line(&self) -> Option<String> {
        let inner = match self.0.inner.try_lock() {
            Ok(inner) => inner,
            Err(TryLockError::WouldBlock) => return None,
            Err(TryLockError::Poisoned(_)) => unreachable!("nothing panics while it holds this lock"),
        };
        let values: Vec<String> = inner.newest.iter().map(|(id, value)| format!("{id} {value}")).collect();
        let lost = match self.0.lost.load(Ordering::Relaxed) {
            0 => String::new(),
            lost => format!(", {lost} LOST"),
        };
        let (doing, readings, gaps) = (&inner.doing, inner.readings, inner.gaps);
        let text = format!("{doing}: {readings} readings, {gaps} gaps{lost}  {}", values.join("  "));
        Some(text.trim_end().to_string())
    }
}

/// Shows the line in place of what the driver says it waits for.
pub(super) struct StatusViewer {
    status: Status,
    inner: Box<dyn Viewer>,
    /// Told what time it is with every look.
    tick: Box<dyn FnMut(Moment)>,
    /// What was shown last.
    line: String,
}

impl std::fmt::Debug for StatusViewer {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str("StatusViewer")
    }
}

impl StatusViewer {
    /// A viewer that shows the status to another.
    pub(super) fn new(status: Status, inner: Box<dyn Viewer>, tick: Box<dyn FnMut(Moment)>) -> Self {
        Self { status, inner, tick, line: String::new() }
    }
}

impl Viewer for StatusViewer {
    fn show(&mut self, live: &Live<'_>) {
        (self.tick)(live.now);
        // The wire's thread waits for nobody: what was shown last is shown once more.
        if let Some(line) = self.status.line() {
            self.line = line;
        }
        self.inner.show(&Live { waiting_for: &self.line, judgement: None, recent: &[], ..live.clone() });
    }
}

#[cfg(test)]
mod tests {
    use model::{Quality, Span, Uncertainty};

    use super::*;

    #[test]
    fn the_line_says_what_is_done_how_much_there_is_and_the_newest_readings() {
        let status = Status::default();
        status.doing("capturing part 2".into());
        for (i, id) in ["rpm", "coolant", "battery", "throttle", "fan"].iter().enumerate() {
            let sample = Sample {
                channel: ChannelId::new(id).unwrap(),
                at: Moment::ZERO,
                time_uncertainty: Span::ZERO,
                raw: 1,
                value: 840.25 - i as f64,
                uncertainty: Uncertainty::default(),
                quality: Quality::Good,
            };
            status.reading(&sample, i != 4);
        }
        status.gap();
        insta::assert_snapshot!(status.line().unwrap(), @"capturing part 2: 4 readings, 1 gaps  rpm 840.2  coolant 839.2  battery 838.2  throttle 837.2");
        status.lost(3);
        let line = status.line().unwrap();
        assert!(line.starts_with("capturing part 2: 4 readings, 1 gaps, 3 LOST  rpm"), "{line}");
        assert_eq!(status.counts(), (4, 1, 3));
        // While the keeper is at it, the wire's thread neither waits nor counts less.
        let held = status.inner();
        assert_eq!(status.line(), None);
        status.lost(1);
        drop(held);
        assert_eq!(status.counts(), (4, 1, 4));
    }
}
