//! Verdicts, counted.

use model::Ending;

use crate::case::Case;
use crate::run::Verdict;
use crate::truth::Truth;

/// One case with its verdicts.
#[derive(Debug, Clone, PartialEq)]
pub struct Row {
    /// The case.
    pub case: Case,
    /// Its verdicts in the order of seeds.
    pub verdicts: Vec<Verdict>,
}

/// Cases with their verdicts.
pub fn rows(cases: &[Case], verdicts: Vec<Vec<Verdict>>) -> Vec<Row> {
    cases.iter().zip(verdicts).map(|(case, verdicts)| Row { case: case.clone(), verdicts }).collect()
}

impl Row {
    /// How many ended so.
    pub fn count(&self, ending: Ending) -> usize {
        self.verdicts.iter().filter(|verdict| verdict.ending == ending).count()
    }

    /// How many left an output held.
    pub fn left_held(&self) -> usize {
        self.verdicts.iter().filter(|verdict| !verdict.left_held.is_empty()).count()
    }

    /// Median engine time, in seconds; none without a run.
    pub fn median_engine_seconds(&self) -> Option<f64> {
        median(self.verdicts.iter().map(|verdict| verdict.engine_seconds).collect())
    }

    /// Median of how many times faster than real time the runs were; none without a run.
    pub fn median_speed(&self) -> Option<f64> {
        median(self.verdicts.iter().map(|verdict| verdict.speed).collect())
    }

    /// How many people gave up.
    pub fn gave_up(&self) -> usize {
        self.verdicts.iter().filter(|verdict| verdict.gave_up).count()
    }

    /// What was said of its cars against what was so.
    pub fn truth(&self) -> Truth {
        self.verdicts.iter().fold(Truth::default(), |all, verdict| all.and(verdict.truth))
    }

    /// The runs whose fault spoilt something the procedure looks at: those that did not pass.
    pub fn spoilt(&self) -> impl Iterator<Item = &Verdict> {
        self.verdicts.iter().filter(|verdict| verdict.ending != Ending::Passed && !verdict.gave_up)
    }

    /// How many of those have the true cause at this place or before it among the findings.
    pub fn ranked_within(&self, place: usize) -> usize {
        self.spoilt().filter(|verdict| verdict.rank.is_some_and(|rank| rank <= place)).count()
    }

    /// What breaks a promise in it.
    pub fn broken(&self) -> Vec<String> {
        let told = |verdict: &Verdict| {
            let what = if !verdict.carried_out {
                "could not be run".to_string()
            } else if !verdict.left_held.is_empty() {
                format!("left an output held ({})", verdict.left_held.join(", "))
            } else if self.case.fault.is_none() && verdict.ending != Ending::Passed && !verdict.gave_up {
                format!("is healthy and ended as '{}'", verdict.ending)
            } else {
                return None;
            };
            let why = verdict.why.as_deref().unwrap_or("no reason given");
            Some(format!("{}, seed {}: it {what}: {why}", self.case.name(), verdict.seed))
        };
        self.verdicts.iter().filter_map(told).collect()
    }
}

/// The middle value; the mean of the two middle ones where their number is even.
fn median(mut values: Vec<f64>) -> Option<f64> {
    values.sort_by(f64::total_cmp);
    let middle = values.len() / 2;
    match values.len() {
        0 => None,
        even if even % 2 == 0 => Some(f64::midpoint(values[middle - 1], values[middle])),
        _ => Some(values[middle]),
    }
}

#[cfg(test)]
pub(crate) mod tests {
    use super::*;
    use crate::case::{CaseFault, Severity};

    pub(crate) fn verdict(seed: u64, ending: Ending, why: Option<&str>) -> Verdict {
        Verdict {
            seed,
            ending,
            why: why.map(String::from),
            engine_seconds: 10.0 * seed as f64,
            speed: 100.0,
            left_held: Vec::new(),
            carried_out: true,
            gave_up: false,
            truth: Truth::default(),
            severity: None,
            rank: None,
        }
    }

    fn row(fault: Option<(&str, f64)>, verdicts: Vec<Verdict>) -> Row {
        let fault = fault.map(|(name, severity)| CaseFault {
            name: name.to_string(),
            severity: Severity::Fixed(severity),
        });
        Row { case: Case { fault, seeds: "1..4".parse().unwrap() }, verdicts }
    }

    #[test]
    fn the_median_is_the_middle() {
        assert_eq!(median(vec![]), None);
        assert_eq!(median(vec![3.0, 1.0, 2.0]), Some(2.0));
        assert_eq!(median(vec![4.0, 1.0, 2.0, 3.0]), Some(2.5));
    }

    #[test]
    fn a_healthy_car_that_does_not_pass_breaks_a_promise_and_a_faulty_one_does_not() {
        let verdicts =
            || vec![verdict(1, Ending::Passed, None), verdict(2, Ending::Undecided, Some("cloudy"))];
        let broken = row(None, verdicts()).broken();
        assert_eq!(broken, ["none (healthy), seed 2: it is healthy and ended as 'undecided': cloudy"]);
        assert_eq!(row(Some(("weak-battery", 1.0)), verdicts()).broken(), Vec::<String>::new());
    }

    #[test]
    fn an_output_left_held_and_a_run_that_could_not_be_break_it_on_any_car() {
        let mut held = verdict(1, Ending::Passed, None);
        held.left_held = vec!["the car: at 40 steps".into()];
        let mut failed = verdict(2, Ending::BadInput, Some("no disk"));
        failed.carried_out = false;
        let broken = row(Some(("weak-battery", 1.0)), vec![held, failed]).broken();
        assert_eq!(broken.len(), 2, "{broken:?}");
        assert!(broken[0].contains("40 steps") && broken[1].contains("no disk"), "{broken:?}");
    }
}
