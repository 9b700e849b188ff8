//! What is measured.

use bench_car::{Start, WorldConfig};
use car::Description;
use model::{Problem, Span};
use station::bench::Variant;

/// The gaps that the timing in force asks of this side.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Gaps {
    /// P4min: between two characters of a request.
    pub character: Span,
    /// P3min: from an answer to the next request.
    pub request: Span,
}

/// A way to use the wire.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Case {
    /// Its name on the command line.
    pub name: &'static str,
    /// What it is, in words.
    pub words: &'static str,
    /// The bench car it is measured on.
    pub variant: Variant,
    /// The channel whose request fills the wire.
    pub channel: &'static str,
    /// P2min, P3min and P4min to ask for, in milliseconds; what the description says where not given.
    pub times: Option<(f64, f64, f64)>,
    /// Whether an output is held, and refreshed as its description says, while it is measured.
    pub held: bool,
    /// The least share of the limit that must be reached, in per cent.
    pub floor: f64,
}

/// Ordinary messages of ISO 14230: three bytes of header, two of data and a checksum asked, one byte of data more
/// answered.
const fn plain(name: &'static str, words: &'static str, times: Option<(f64, f64, f64)>, floor: f64) -> Case {
    Case { name, words, variant: Variant::Pressure, channel: "intake_air", times, held: false, floor }
}

/// Half a millisecond for P2 and P4; P3min must be longer than P4min (ISO 14230-2, rules beside the table of times)
/// and goes in steps of half a millisecond, so it is one.
const HALF: Option<(f64, f64, f64)> = Some((0.5, 1.0, 0.5));
/// The least that accessTimingParameters can ask for under that rule.
const LEAST: Option<(f64, f64, f64)> = Some((0.0, 0.5, 0.0));

impl Case {
    /// All of them, in the order of the table.
    pub const ALL: [Self; 8] = [
        plain("default", "ISO 14230, default timing", None, 99.0),
        Self {
            channel: "rpm",
            ..plain("default-block", "ISO 14230, default timing, the block of running data", None, 99.0)
        },
        Self {
            channel: "rpm",
            held: true,
            ..plain("default-held", "the same while an output is held and refreshed", None, 95.0)
        },
        plain("half", "ISO 14230, P2 and P4 0.5 ms, P3 1 ms", HALF, 98.0),
        plain("least", "ISO 14230, P2 and P4 0, P3 0.5 ms", LEAST, 98.0),
        Self {
            channel: "rpm",
            ..plain(
                "least-block",
                "ISO 14230, P2 and P4 0, P3 0.5 ms, the block of running data",
                LEAST,
                98.0,
            )
        },
        Self {
            channel: "rpm",
            held: true,
            ..plain("half-held", "P2 and P4 0.5 ms, P3 1 ms, an output held and refreshed", HALF, 95.0)
        },
        Self {
            channel: "rpm",
            held: true,
            ..plain("least-held", "P2 and P4 0, P3 0.5 ms, an output held and refreshed", LEAST, 95.0)
        },
    ];

    /// The case of this name.
    pub fn named(name: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|case| case.name == name)
    }

    /// The description that it is measured with.
    pub fn description(&self) -> Result<Description, Vec<Problem>> {
        let (file, text) = self.variant.description();
        let Some((p2, p3, p4)) = self.times else { return car::load(file, text) };
        // P2max and P3max only bound what is waited for; these are the least steps and the usual default.
        let times = format!(
            "[link]\nfast_timing = {{ p2_min = {p2:?}, p2_max = 25, p3_min = {p3:?}, p3_max = 5000, p4_min = {p4:?} }}\n"
        );
        car::load(file, &text.replacen("[link]\n", &times, 1))
    }

    /// The gaps in force once the session stands.
    pub fn gaps(&self, description: &Description) -> Gaps {
        let timing = description.link.fast_timing.unwrap_or(description.link.timing);
        Gaps { character: timing.p4_min, request: timing.p3_min }
    }

    /// The car that it is measured on: its controller answers as fast as its timing allows.
    pub fn world(&self, seed: u64) -> WorldConfig {
        let mut config = WorldConfig { seed, start: Start::Hot, prompt: true, ..WorldConfig::default() };
        self.variant.configure(&mut config);
        config
    }
}
