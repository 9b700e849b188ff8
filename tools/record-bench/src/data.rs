//! Invented readings with the statistics of a real link: converter counts that wander and jitter, times that are never
//! quite even, and time uncertainties of the order of a controller's time to answer.

use model::{ChannelId, Job, Moment, Quality, Sample, SessionId, Span, StationId, Uncertainty, Unit};
use rand::{RngExt, SeedableRng};
use rand_distr::{Distribution, Normal};
use rand_pcg::Pcg64Mcg;
use record::{ChannelHead, Row, SessionHead};

/// What a set of readings is made of.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Recipe {
    /// Channels.
    pub(crate) channels: usize,
    /// Channels told in one answer, and so read at one moment.
    pub(crate) together: usize,
    /// Cycles over all channels a second.
    pub(crate) rate: f64,
    /// Cycles in all.
    pub(crate) cycles: usize,
    /// Seed.
    pub(crate) seed: u64,
}

struct Source {
    id: ChannelId,
    factor: f64,
    /// Range of the counts, exclusive.
    counts: i64,
    place: f64,
    /// How far it wanders in a cycle, and how far a reading lies from where it is, in counts.
    wander: f64,
    noise: f64,
}

/// Readings in the order in which they come.
pub(crate) struct Readings {
    recipe: Recipe,
    sources: Vec<Source>,
    random: Pcg64Mcg,
    cycle: usize,
}

impl Readings {
    pub(crate) fn new(recipe: Recipe) -> Self {
        let mut random = Pcg64Mcg::seed_from_u64(recipe.seed);
        let sources = (0..recipe.channels)
            .map(|n| {
                // Every fourth channel has sixteen bits, as engine speeds and air masses have; some do not move.
                let counts = if n % 4 == 0 { 65_536 } else { 256 };
                let (wander, noise) = match n % 4 {
                    0 => (1.5, 6.0),
                    1 => (0.05, 0.4),
                    2 => (0.4, 0.8),
                    _ => (0.002, 0.0),
                };
                Source {
                    id: ChannelId::new(&format!("channel_{n:02}")).expect("letters and digits are an id"),
                    factor: [0.25, 0.392_156_862_745_098, 0.019_531_25, 1.0][n % 4],
                    counts,
                    place: random.random_range(0.2..0.8) * (counts as f64).min(8_000.0),
                    wander,
                    noise,
                }
            })
            .collect();
        Self { recipe, sources, random, cycle: 0 }
    }

    /// What a session of these readings says of itself.
    pub(crate) fn head(&self) -> SessionHead {
        let channel = |source: &Source| ChannelHead {
            id: source.id.clone(),
            title: source.id.to_string(),
            unit: Unit::one(),
            factor: source.factor,
            offset: 0.0,
            resolution: source.factor,
            noise: source.noise * source.factor,
            shared: source.factor / 2.0,
            rounding: "nearest".into(),
        };
        SessionHead {
            session: SessionId::new("measured").expect("a plain word is an id"),
            station: StationId::new("bench").expect("a plain word is an id"),
            car: "invented".into(),
            procedure: None,
            program: env!("CARGO_PKG_VERSION").into(),
            utc_nanos: 1_767_225_600_000_000_000,
            job: Job::default(),
            tags: Default::default(),
            description_sha256: "none".into(),
            script_sha256: None,
            channels: self.sources.iter().map(channel).collect(),
        }
    }
}

impl Iterator for Readings {
    type Item = Vec<Row>;

    /// The readings of one cycle.
    fn next(&mut self) -> Option<Vec<Row>> {
        if self.cycle >= self.recipe.cycles {
            return None;
        }
        let standard = Normal::new(0.0, 1.0).expect("one is a standard deviation");
        let period = 1e9 / self.recipe.rate;
        let answers = self.recipe.channels.div_ceil(self.recipe.together);
        let mut rows = Vec::with_capacity(self.recipe.channels);
        let (mut at, mut half) = (0, 0);
        for (n, source) in self.sources.iter_mut().enumerate() {
            if n % self.recipe.together == 0 {
                let answer = (n / self.recipe.together) as f64 / answers as f64;
                let late = self.random.random_range(0.0..0.03) * period;
                at = ((self.cycle as f64 + answer) * period + late) as i64;
                half = self.random.random_range(350_000..750_000);
            }
            source.place += source.wander * standard.sample(&mut self.random);
            source.place = source.place.clamp(1.0, source.counts as f64 - 2.0);
            let raw = (source.place + source.noise * standard.sample(&mut self.random)).round() as i64;
            let raw = raw.clamp(0, source.counts - 1);
            rows.push(Row::Sample(Sample {
                channel: source.id.clone(),
                at: Moment(at),
                time_uncertainty: Span(half),
                raw,
                value: raw as f64 * source.factor,
                uncertainty: Uncertainty {
                    noise: source.noise * source.factor,
                    resolution: source.factor,
                    shared: source.factor / 2.0,
                },
                quality: Quality::Good,
            }));
        }
        self.cycle += 1;
        Some(rows)
    }
}
