//! The live board: the newest readings of every channel.

use std::collections::{BTreeMap, VecDeque};

use model::{ChannelId, Moment, Sample, Span};

/// Readings that a person is shown of one channel: enough to see which way it goes.
const RECENT: usize = 4;
/// The course of a channel is kept in readings this far apart, for this long: what a fitted rise needs, and not so
/// long that what came before the rise spoils it (our choice, no published source).
const COURSE_EVERY: Span = Span::from_secs(2);
const COURSE_LENGTH: Span = Span::from_secs(120);

#[derive(Debug)]
struct Place {
    newest: Sample,
    recent: VecDeque<f64>,
    course: VecDeque<(Moment, f64)>,
}

/// The newest readings of every channel. Viewers get the latest value; nobody waits for them.
#[derive(Debug, Default)]
pub struct Board {
    places: BTreeMap<ChannelId, Place>,
}

impl Board {
    /// Puts a reading up.
    pub fn put(&mut self, sample: &Sample) {
        let place = match self.places.get_mut(&sample.channel) {
            Some(place) => {
                place.newest.clone_from(sample);
                place
            }
            None => self.places.entry(sample.channel.clone()).or_insert_with(|| Place {
                newest: sample.clone(),
                recent: VecDeque::new(),
                course: VecDeque::new(),
            }),
        };
        if !sample.quality.usable() {
            return;
        }
        if place.recent.len() == RECENT {
            place.recent.pop_front();
        }
        place.recent.push_back(sample.value);
        if place.course.back().is_none_or(|(at, _)| sample.at.since(*at) >= COURSE_EVERY) {
            place.course.push_back((sample.at, sample.value));
        }
        while place.course.front().is_some_and(|(at, _)| sample.at.since(*at) > COURSE_LENGTH) {
            place.course.pop_front();
        }
    }

    /// The newest reading of a channel that is no older than this.
    pub fn latest(&self, channel: &ChannelId, now: Moment, within: Span) -> Option<&Sample> {
        self.places.get(channel).map(|place| &place.newest).filter(|sample| now.since(sample.at) <= within)
    }

    /// The last few usable readings of a channel, oldest first.
    pub fn recent(&self, channel: &ChannelId) -> Vec<f64> {
        self.places.get(channel).map(|place| place.recent.iter().copied().collect()).unwrap_or_default()
    }

    /// The last minutes of a channel in usable readings two seconds or more apart, oldest first.
    pub fn course(&self, channel: &ChannelId) -> impl Iterator<Item = (Moment, f64)> {
        self.places.get(channel).into_iter().flat_map(|place| place.course.iter().copied())
    }

    /// Forgets every course: what was before a loss of the link or a stop of the engine is another rise.
    pub fn begin_courses_anew(&mut self) {
        self.places.values_mut().for_each(|place| place.course.clear());
    }
}
