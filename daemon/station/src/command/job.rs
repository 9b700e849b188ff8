//! What a person says of a session on the command line: the arguments of every command that begins one.

use clap::Args;
use model::{Job, Moment, Problem, Span};

use super::session::argument;
use crate::amount::{quantity_like, time};
use crate::run::About;
use crate::sides::said::{self, Said};

/// What a person says of a session.
#[derive(Debug, Args)]
pub(super) struct JobArguments {
    /// What was done to the car, in words
    #[arg(long, value_name = "WORDS")]
    work: Option<String>,
    /// What the odometer shows, with its unit: "123456 km"
    #[arg(long, value_name = "LENGTH")]
    odometer: Option<String>,
    /// Temperature of the air around the car: "18 Cel"
    #[arg(long, value_name = "TEMPERATURE", allow_hyphen_values = true)]
    ambient: Option<String>,
    /// The fuel in its tank, in words
    #[arg(long, value_name = "WORDS")]
    fuel: Option<String>,
    /// Anything else that its reader should know
    #[arg(long, value_name = "WORDS")]
    note: Option<String>,
    /// Something measured by hand, with the instrument and half of its 95 % interval where you know them:
    /// "fuel pressure 2.9 bar ± 0.1 with gauge 3"; may be given again
    #[arg(long = "measurement", value_name = "NAME VALUE UNIT [± U] [with INSTRUMENT]")]
    measurements: Vec<String>,
    /// Records every exchange as it was on the wire
    #[arg(long)]
    wire_trace: bool,
    /// How often what was read is synced to the disk, 20ms to 60s: what a crash or a power cut may cost. 250ms where it
    /// is not said; a rehearsal, whose clock runs faster than the disk, syncs every 5min
    #[arg(long, value_name = "TIME")]
    sync_every: Option<String>,
}

/// What may be asked for between two syncs: below, most disks do nothing but sync; above, a crash costs more than a
/// person would look at again (our choice, no published source).
const SYNC_EVERY: (Span, Span) = (Span::from_millis(20), Span::from_secs(60));

/// The time between two syncs.
fn sync_every(text: &str) -> Result<Span, String> {
    let every = time(text)?;
    let (least, most) = SYNC_EVERY;
    if (least..=most).contains(&every) {
        Ok(every)
    } else {
        Err(format!("{every} is not between {least} and {most}"))
    }
}

impl JobArguments {
    /// What is said; every mistake is put to the others.
    pub(super) fn about(&self, problems: &mut Vec<Problem>) -> About {
        let mut amount = |name: &str, text: Option<&String>, kind: &str, cure: &str| {
            let read = text.map(|text| quantity_like(text, kind)).transpose();
            read.map_err(|seen| problems.push(argument(name, seen, cure))).ok().flatten()
        };
        let odometer = amount("--odometer", self.odometer.as_ref(), "km", "write for example \"123456 km\"");
        let ambient = amount("--ambient", self.ambient.as_ref(), "Cel", "write for example \"18 Cel\"");
        let job = Job {
            work: self.work.clone(),
            odometer,
            ambient,
            fuel: self.fuel.clone(),
            note: self.note.clone(),
        };
        let mut measured = Vec::new();
        for text in &self.measurements {
            match said::measurement(text) {
                Ok(event) => measured.push(event),
                Err(seen) => {
                    problems.push(argument("--measurement", seen, "give its name, its value and its unit"));
                }
            }
        }
        let every = self.sync_every.as_deref().map(sync_every).transpose();
        let every =
            every.map_err(|seen| problems.push(argument("--sync-every", seen, "write for example 250ms")));
        About {
            job,
            measured,
            foretold: Vec::new(),
            wire_trace: self.wire_trace,
            sync_every: every.ok().flatten(),
        }
    }
}

/// What the person of a rehearsal says beside any question.
#[derive(Debug, Args)]
pub(super) struct SayArguments {
    /// What you say in the rehearsal, and when, counted from its beginning: "90 s mark the fan starts", "2 min stop"; may
    /// be given again
    #[arg(long = "say", value_name = "TIME WORDS")]
    say: Vec<String>,
}

impl SayArguments {
    /// What is said, in the order of its moments; every mistake is put to the others.
    #[cfg_attr(
        not(feature = "bench-car"),
        expect(dead_code, reason = "only a rehearsal is told beforehand what is said")
    )]
    pub(super) fn foretold(&self, problems: &mut Vec<Problem>) -> Vec<(Moment, Said)> {
        let mut foretold = Vec::new();
        for text in &self.say {
            match understand(text) {
                Ok(one) => foretold.push(one),
                Err(seen) => {
                    let cure = "write for example --say \"90 s mark the fan starts\"";
                    problems.push(argument("--say", seen, cure));
                }
            }
        }
        foretold.sort_by_key(|(at, _)| *at);
        foretold
    }
}

fn understand(text: &str) -> Result<(Moment, Said), String> {
    let words: Vec<&str> = text.split_whitespace().collect();
    // The time is one word or two: 90s, or 90 s.
    let taken = (1..=2).find_map(|n| Some((time(&words.get(..n)?.join(" ")).ok()?, n)));
    let (at, n) = taken.ok_or_else(|| format!("'{text}' does not begin with a time"))?;
    let line = words[n..].join(" ");
    let said = said::understand(&line, "foretold");
    let said = said.unwrap_or_else(|| Err(format!("'{line}' is none of mark, measure, start, stop")))?;
    Ok((Moment::ZERO + at, said))
}

#[cfg(test)]
mod tests {
    use model::Span;

    use super::*;

    #[test]
    fn the_time_between_two_syncs_has_bounds() {
        for (text, every) in [("20ms", 20), ("0.25 s", 250), ("1min", 60_000)] {
            assert_eq!(sync_every(text), Ok(Span::from_millis(every)), "{text}");
        }
        for bad in ["19ms", "61s", "0s", "-1s", "250", "1 km"] {
            assert!(sync_every(bad).is_err(), "{bad}");
        }
    }

    #[test]
    fn what_is_said_in_a_rehearsal_begins_with_its_time() {
        let fan = said::marked("the fan starts", "foretold");
        let at = Moment::ZERO + Span::from_secs(90);
        assert_eq!(understand("90 s mark the fan starts"), Ok((at, Said::Record(fan.clone()))));
        assert_eq!(understand("90s mark the fan starts"), Ok((at, Said::Record(fan))));
        assert_eq!(understand("2 min stop"), Ok((Moment::ZERO + Span::from_secs(120), Said::Stop)));
        for bad in ["mark", "90 s", "90 s hello", "90 km mark", "5 s measure x"] {
            assert!(understand(bad).is_err(), "{bad}");
        }
    }
}
