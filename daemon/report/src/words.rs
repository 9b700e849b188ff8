//! A summary in plain trade words.

use std::fmt;

use model::event::{Outcome, ReleaseCause, ReleaseProof};
use model::{Demand, Word};

use crate::channels::ChannelSummary;
use crate::findings;
use crate::summary::{
    GapSummary, GateSummary, HoldSummary, MeasurementSummary, StepEnd, StepSummary, Summary,
};

impl fmt::Display for Summary {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let procedure = self.procedure.as_deref().unwrap_or("a recording");
        writeln!(f, "Session {} of {}: {procedure}", self.session, self.car)?;
        let started = record::utc_text(self.started_utc_nanos);
        write!(f, "Began {started}, lasted {}, ", self.lasted)?;
        match self.ending {
            Some(ending) => writeln!(f, "ended: {ending}")?,
            None => writeln!(f, "has no end: the program stopped within it")?,
        }
        if self.recovered {
            writeln!(f, "Recovered after a crash")?;
        }
        if let Some(cut) = &self.cut {
            writeln!(f, "Of its journal {cut}")?;
        }
        section(f, "Steps", &self.steps)?;
        section(f, "Gates", &self.gates)?;
        section(f, "Holds", &self.holds)?;
        section(f, "Measurements", &self.measurements)?;
        let results: Vec<String> =
            self.results.iter().map(|(name, finding)| format!("{name}: {finding}")).collect();
        section(f, "Results", &results)?;
        let causes = findings::words(&self.causes);
        section(f, "What the data point to", &causes.lines().collect::<Vec<_>>())?;
        let codes: Vec<String> = self.codes.iter().map(|codes| read_codes(codes)).collect();
        section(f, "Trouble codes", &codes)?;
        section(f, "Said", &self.sayings)?;
        section(f, "Link down", &self.gaps)?;
        section(f, "Problems", &self.problems)?;
        section(f, "Channels", &self.channels)
    }
}

fn section<T: fmt::Display>(f: &mut fmt::Formatter<'_>, title: &str, lines: &[T]) -> fmt::Result {
    if lines.is_empty() {
        return Ok(());
    }
    writeln!(f, "\n{title}")?;
    lines.iter().try_for_each(|line| writeln!(f, "  {line}"))
}

fn read_codes(codes: &[String]) -> String {
    if codes.is_empty() { "none stored".into() } else { codes.join(", ") }
}

impl fmt::Display for GapSummary {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "at {:.1} s ", self.at.as_secs_f64())?;
        match self.lasted {
            Some(lasted) => write!(f, "for {lasted}: {}", self.why),
            None => write!(f, "to the end: {}", self.why),
        }
    }
}

impl fmt::Display for StepSummary {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let title = if self.title.is_empty() { String::new() } else { format!(" ({})", self.title) };
        write!(f, "{}{title}: ", self.step)?;
        match &self.end {
            StepEnd::Ended { ending, took } => write!(f, "{ending}, took {took}"),
            StepEnd::Skipped { reason } => write!(f, "skipped, because {reason}"),
            StepEnd::Open => write!(f, "not ended"),
        }
    }
}

impl fmt::Display for GateSummary {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        if let Some(step) = &self.step {
            write!(f, "{step}: ")?;
        }
        let outcome = match self.outcome {
            Some(Outcome::Met) => "met",
            Some(Outcome::TimedOut) => "not met in time",
            Some(Outcome::Unknown) => "not decided in time",
            Some(Outcome::Cancelled) => "stopped",
            Some(Outcome::Fault) => "link lost",
            None => "still waited for at the end of the record",
        };
        write!(f, "{outcome} after {}; ", self.waited)?;
        if self.gate.demand == Demand::Proven && self.last.as_ref().is_some_and(|j| j.word == Word::Inside) {
            write!(f, "inside, but proven was asked; ")?;
        }
        match &self.last {
            Some(judgement) if !judgement.findings.is_empty() => write!(f, "{judgement}"),
            _ => {
                let channels: Vec<String> = self.channels().iter().map(ToString::to_string).collect();
                write!(f, "never judged, on {}", channels.join(", "))
            }
        }
    }
}

impl fmt::Display for HoldSummary {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}", self.output)?;
        if let Some(value) = &self.value {
            write!(f, " at {value}")?;
        }
        if let Some(at_most) = self.at_most {
            write!(f, " for at most {at_most}")?;
        }
        if !self.engaged && self.value.is_some() {
            write!(f, ", never confirmed as held")?;
        }
        if let Some(held) = self.held {
            write!(f, ", held {held}")?;
        }
        if let Some(cause) = self.cause {
            write!(f, "; released because {}", because(cause))?;
            if !self.detail.is_empty() {
                write!(f, " ({})", self.detail)?;
            }
        }
        match self.proof {
            Some(proof) => write!(f, "; {}", known_by(proof)),
            None => write!(f, "; the record has no release: key off"),
        }
    }
}

fn because(cause: ReleaseCause) -> &'static str {
    match cause {
        ReleaseCause::ScopeLeft => "its work was done",
        ReleaseCause::WindowOver => "its time was over",
        ReleaseCause::DropCondition => "a drop condition came true",
        ReleaseCause::Stop => "the run was stopped",
        ReleaseCause::ScriptGone => "the procedure ended or failed",
        ReleaseCause::LinkLost => "the link was lost",
        ReleaseCause::ComputerSlept => "the computer slept",
        ReleaseCause::Refused => "the controller refused it",
        ReleaseCause::FormerRun => "a former run left it held",
    }
}

fn known_by(proof: ReleaseProof) -> &'static str {
    match proof {
        ReleaseProof::ControllerAndEffect => "back: the controller says so and its effect is seen",
        ReleaseProof::Controller => "back: the controller says so",
        ReleaseProof::Effect => "back: its effect is seen",
        ReleaseProof::ControllerTimeout => "back: the controller's own timeout has passed",
        ReleaseProof::None => "not known to be back: key off",
    }
}

impl fmt::Display for MeasurementSummary {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{} ({}): ", self.name, self.channel)?;
        match &self.estimate {
            Some(estimate) => write!(f, "{estimate}")?,
            None => write!(f, "not enough readings")?,
        }
        write!(f, ", from {} readings at {:.1} a second", self.readings, self.rate)
    }
}

impl fmt::Display for ChannelSummary {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}: {} readings", self.channel, self.readings)?;
        if let Some(rate) = self.rate {
            write!(f, ", {rate:.1} a second")?;
        }
        if let (Some(low), Some(high)) = (self.lowest, self.highest) {
            let unit = self.unit.as_ref().map_or("", |u| u.print());
            let gap = if unit.is_empty() { "" } else { " " };
            match self.resolution {
                Some(resolution) if resolution > 0.0 => {
                    let digits = digits(resolution);
                    write!(f, ", {low:.digits$} to {high:.digits$}{gap}{unit}")?;
                }
                // A flag is what it is: it has no count to be finer than.
                _ => write!(f, ", {low} to {high}{gap}{unit}")?,
            }
        }
        if self.unusable > 0 {
            write!(f, ", {} unusable", self.unusable)?;
        }
        match (self.gaps, self.longest_gap) {
            (0, _) | (_, None) => Ok(()),
            (1, Some(longest)) => write!(f, ", one gap of {longest}"),
            (gaps, Some(longest)) => write!(f, ", {gaps} gaps, the longest {longest}"),
        }
    }
}

/// Digits after the point that show a step of this size.
fn digits(step: f64) -> usize {
    if step > 0.0 && step.is_finite() { (1.0 - step.log10().floor()).clamp(0.0, 6.0) as usize } else { 3 }
}
