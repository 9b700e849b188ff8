//! What is run: a car with or without a fault, and seeds.

use bench_car::FaultKind;
use model::{Place, Problem, ProblemKind};

/// A car: healthy, or with one fault.
#[derive(Debug, Clone, PartialEq)]
pub struct Case {
    /// The fault; none for a healthy car.
    pub fault: Option<CaseFault>,
    /// The seeds it is run with.
    pub seeds: SeedRange,
}

/// A fault of a case.
#[derive(Debug, Clone, PartialEq)]
pub struct CaseFault {
    /// Its name.
    pub name: String,
    /// How bad it is.
    pub severity: Severity,
}

/// How bad a fault is.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Severity {
    /// The same in every run, from 0 to 1.
    Fixed(f64),
    /// A tenth to the whole, in tenths that go by the seed.
    Mixed,
}

impl Severity {
    /// The severity of a seed's run.
    pub fn of(self, seed: u64) -> f64 {
        match self {
            Self::Fixed(severity) => severity,
            // 7 and 10 have no common factor: ten neighbouring seeds have all ten severities.
            Self::Mixed => ((seed % 10 * 7) % 10 + 1) as f64 / 10.0,
        }
    }
}

impl std::fmt::Display for Severity {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Self::Fixed(severity) => severity.fmt(f),
            Self::Mixed => f.write_str("mixed"),
        }
    }
}

/// Seeds from the first up to, and without, the last.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct SeedRange {
    /// The first seed.
    pub first: u64,
    /// The seed after the last.
    pub end: u64,
}

impl SeedRange {
    /// The seeds.
    pub fn iter(self) -> impl Iterator<Item = u64> {
        self.first..self.end
    }
}

impl std::str::FromStr for SeedRange {
    type Err = String;

    fn from_str(text: &str) -> Result<Self, String> {
        let range = text
            .split_once("..")
            .and_then(|(first, end)| Some(Self { first: first.parse().ok()?, end: end.parse().ok()? }));
        match range {
            Some(range) if range.first < range.end => Ok(range),
            Some(_) => Err(format!("'{text}' holds no seed: the first must be below the end")),
            None => {
                Err(format!("'{text}' is no range of seeds: write for example 1..21 for the seeds 1 to 20"))
            }
        }
    }
}

impl std::fmt::Display for SeedRange {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "{}..{}", self.first, self.end)
    }
}

impl Case {
    /// A healthy car.
    pub fn healthy(seeds: SeedRange) -> Self {
        Self { fault: None, seeds }
    }

    /// A car with a fault, written `NAME` or `NAME=SEVERITY`.
    pub fn faulty(text: &str, seeds: SeedRange) -> Result<Self, Problem> {
        let (name, severity) = text.split_once('=').unwrap_or((text, "1"));
        let problem = |seen: String, cure: String| {
            Problem::new(ProblemKind::Argument, Place::Argument { name: "--fault".into() }, seen, cure)
        };
        if FaultKind::named(name).is_none() {
            let known = FaultKind::NAMES.map(|(name, _)| name).join(", ");
            return Err(problem(
                format!("the bench car has no fault '{name}'"),
                format!("choose one of {known}"),
            ));
        }
        match severity.parse::<f64>() {
            Ok(severity) if (0.0..=1.0).contains(&severity) => {
                let fault = CaseFault { name: name.to_string(), severity: Severity::Fixed(severity) };
                Ok(Self { fault: Some(fault), seeds })
            }
            _ => Err(problem(format!("'{severity}' is not a severity"), "give a number from 0 to 1".into())),
        }
    }

    /// The fault in words.
    pub fn name(&self) -> &str {
        self.fault.as_ref().map_or("none (healthy)", |fault| &fault.name)
    }
}

/// Every fault the bench car knows, at each of these severities.
pub fn every_fault(severities: &[Severity], seeds: SeedRange) -> Vec<Case> {
    let cases = FaultKind::NAMES.iter().flat_map(|(name, _)| severities.iter().map(move |s| (*name, *s)));
    let fault = |(name, severity): (&str, Severity)| CaseFault { name: name.to_string(), severity };
    cases.map(|one| Case { fault: Some(fault(one)), seeds }).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    const SOME: SeedRange = SeedRange { first: 1, end: 3 };

    #[test]
    fn seeds_are_read_without_their_end() {
        assert_eq!("1..3".parse::<SeedRange>(), Ok(SOME));
        assert_eq!(SOME.iter().collect::<Vec<_>>(), [1, 2]);
        for bad in ["", "3", "3..3", "4..3", "a..b", "1..", "..2", "-1..2", "1..=2"] {
            assert!(bad.parse::<SeedRange>().is_err(), "{bad}");
        }
    }

    #[test]
    fn a_fault_is_read_with_and_without_severity() {
        let case = Case::faulty("weak-battery=0.5", SOME).unwrap();
        let fault =
            |severity| Some(CaseFault { name: "weak-battery".into(), severity: Severity::Fixed(severity) });
        assert_eq!(case.fault, fault(0.5));
        assert_eq!(Case::faulty("weak-battery", SOME).unwrap().fault, fault(1.0));
        for bad in ["flat-tyre", "weak-battery=2", "weak-battery=", "weak-battery=NaN", "=1"] {
            assert!(Case::faulty(bad, SOME).is_err(), "{bad}");
        }
        assert!(Case::faulty("flat-tyre", SOME).unwrap_err().to_string().contains("thermostat-open"));
    }

    #[test]
    fn every_known_fault_has_its_cases() {
        assert_eq!(every_fault(&[Severity::Mixed], SOME).len(), FaultKind::NAMES.len());
        let mut tenths: Vec<f64> = (40..50).map(|seed| Severity::Mixed.of(seed) * 10.0).collect();
        tenths.sort_by(f64::total_cmp);
        assert_eq!(tenths, (1..=10).map(f64::from).collect::<Vec<_>>(), "ten seeds have all severities");
    }
}
