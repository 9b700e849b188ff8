//! What is measured.

use bench_car::{Start, WorldConfig};
use car::{Description, Protocol};
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
    /// The channels whose requests fill the wire.
    pub channels: &'static [&'static str],
    /// Whether the controller answers as fast as its timing allows; else it takes times of its own.
    pub prompt: bool,
    /// P2min, P3min and P4min to ask for, in milliseconds; what the description says where not given.
    pub times: Option<(f64, f64, f64)>,
    /// Whether an output is held, and refreshed as its description says, while it is measured.
    pub held: bool,
    /// The least share of the limit that must be reached, in per cent.
    pub floor: f64,
}

/// A request with a short answer: 6 and 7 characters in ISO 14230 with addresses in the header.
const ONE_VALUE: &[&str] = &["intake_air"];
/// The block of running data: 6 and 13 characters.
const BLOCK: &[&str] = &["rpm"];
/// Every request that the description has.
const EVERYTHING: &[&str] = &[
    "rpm",
    "rpm_quick",
    "battery_alone",
    "throttle_alone",
    "intake_air",
    "short_trim",
    "long_trim",
    "manifold_pressure",
    "spark_advance",
];

/// One byte, where single bytes are exchanged.
const ONE_BYTE: &[&str] = &["battery_alone"];

/// Half a millisecond for P2 and P4; P3min must be longer than P4min (ISO 14230-2, rules beside the table of times)
/// and goes in steps of half a millisecond, so it is one.
const HALF: Option<(f64, f64, f64)> = Some((0.5, 1.0, 0.5));
/// The least that accessTimingParameters can ask for under that rule.
const LEAST: Option<(f64, f64, f64)> = Some((0.0, 0.5, 0.0));

/// The aims, in per cent: at default timing, at the shortest, and while something is held.
const AIMS: (f64, f64, f64) = (99.0, 98.0, 95.0);

const fn case(name: &'static str, words: &'static str, channels: &'static [&'static str]) -> Case {
    let variant = Variant::Pressure;
    Case { name, words, variant, channels, prompt: true, times: None, held: false, floor: AIMS.0 }
}

impl Case {
    const fn with_times(self, times: Option<(f64, f64, f64)>) -> Self {
        Self { times, floor: AIMS.1, ..self }
    }

    const fn held(self) -> Self {
        Self { held: true, floor: AIMS.2, ..self }
    }

    /// Single bytes at 12 500 Bd; the aims are those of the shortest times and of one byte against one byte.
    const fn single(self, floor: f64) -> Self {
        Self { variant: Variant::Single, floor, ..self }
    }

    const fn unhurried(self) -> Self {
        Self { prompt: false, ..self }
    }

    /// All of them, in the order of the table.
    pub const ALL: [Self; 16] = [
        case("default", "default timing, one value", ONE_VALUE),
        case("default-block", "default timing, a block", BLOCK),
        case("default-all", "default timing, nine requests", EVERYTHING),
        case("default-own", "default timing, nine requests, the controller takes its time", EVERYTHING)
            .unhurried(),
        case("default-held", "default timing, a block, an output held", BLOCK).held(),
        case("half", "P2 and P4 0.5 ms, P3 1 ms, one value", ONE_VALUE).with_times(HALF),
        case("half-held", "P2 and P4 0.5 ms, P3 1 ms, a block, an output held", BLOCK)
            .with_times(HALF)
            .held(),
        case("least", "P2 and P4 0, P3 0.5 ms, one value", ONE_VALUE).with_times(LEAST),
        case("least-block", "P2 and P4 0, P3 0.5 ms, a block", BLOCK).with_times(LEAST),
        case("least-all", "P2 and P4 0, P3 0.5 ms, nine requests", EVERYTHING).with_times(LEAST),
        case("least-own", "P2 and P4 0, P3 0.5 ms, nine requests, the controller takes its time", EVERYTHING)
            .with_times(LEAST)
            .unhurried(),
        case("least-held", "P2 and P4 0, P3 0.5 ms, a block, an output held", BLOCK).with_times(LEAST).held(),
        case("single", "single bytes at 12 500 Bd, one for one", ONE_BYTE).single(AIMS.2),
        case("single-own", "single bytes, one for one, the controller takes its time", ONE_BYTE)
            .single(AIMS.2)
            .unhurried(),
        case("single-block", "single bytes, a block", BLOCK).single(AIMS.1),
        case("single-held", "single bytes, one for one, an output held", ONE_BYTE).single(AIMS.2).held(),
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
        match &description.link.protocol {
            Protocol::Iso14230(iso) => {
                let timing = iso.fast_timing.unwrap_or(iso.timing);
                Gaps { character: timing.p4_min, request: timing.p3_min }
            }
            Protocol::SingleByte(single) => Gaps { character: single.byte_gap, request: single.request_gap },
        }
    }

    /// The car that it is measured on.
    pub fn world(&self, seed: u64) -> WorldConfig {
        let mut config =
            WorldConfig { seed, start: Start::Hot, prompt: self.prompt, ..WorldConfig::default() };
        self.variant.configure(&mut config);
        config
    }
}
