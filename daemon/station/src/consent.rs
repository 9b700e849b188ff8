//! Consent: before a procedure takes anything over, a person is told what, how far and for how long, and agrees.

use car::Description;
use model::event::ConsentedOutput;
use model::{OutputId, Place, Problem, ProblemKind};
use record::Consents;

use crate::load::{Car, Procedure, sha256};

/// What a procedure asks leave for.
#[derive(Debug, Clone, PartialEq)]
pub struct Asked {
    /// The outputs, none for a procedure that only looks.
    pub outputs: Vec<ConsentedOutput>,
    title: String,
    key: String,
}

/// Carbon monoxide: NIOSH publication 96-118a (open doors, windows or fans do not make it safe). Never left out,
/// however often somebody has agreed.
const CARBON_MONOXIDE: &str =
    "Exhaust gas kills within minutes: lead it outside; an open door alone is not enough.";

/// Common practice, no published source.
const THE_REST: &str = "\
Held, the engine may race, hunt or stall. Handbrake on, wheels chocked, neutral or park; clear of belts, fans and
hot parts; never while driving. The maker's manual, local codes and licensed practice come first.
Ctrl-C gives everything back at any moment; switching the key off does so too.";

impl Asked {
    /// What a procedure asks leave for on a car. An output that the car does not have is told elsewhere.
    pub fn of(procedure: &Procedure, car: &Car) -> Self {
        let outputs = procedure.outputs.iter().filter_map(|id| one(id, &car.description)).collect();
        // A changed script or description is another question.
        let key = sha256(&format!("{} {}", procedure.sha256, car.sha256));
        Self { outputs, title: procedure.name.clone(), key }
    }

    /// What is shown before anything is asked: the whole the first time, shorter when the same was agreed to
    /// before.
    pub fn words(&self, again: bool) -> String {
        let mut lines = vec![format!("{} takes over, while it runs:", self.title)];
        lines.extend(self.outputs.iter().map(|one| {
            format!(
                "  {} from {} to {}, for at most {} at a time",
                one.output, one.low, one.high, one.longest
            )
        }));
        lines.push(CARBON_MONOXIDE.to_string());
        if !again {
            lines.push(THE_REST.to_string());
        }
        lines.join("\n")
    }

    /// Whether a line agrees: a plain yes and nothing else.
    pub fn agrees(line: &str) -> bool {
        line.trim().eq_ignore_ascii_case("yes")
    }

    /// Whether the same was agreed to before.
    pub fn is_known(&self, consents: &Consents) -> bool {
        consents.has(&self.key)
    }

    /// Remembers that it was agreed to. What cannot be remembered is asked in full again.
    pub fn remember(&self, consents: &Consents) -> Result<(), Problem> {
        consents.put(&self.key)
    }

    /// Checks outputs that were named beforehand instead of asked for: every one, and no other.
    pub fn named(&self, names: &[String]) -> Result<(), Vec<Problem>> {
        let problem = |seen: String, cure: String| {
            Problem::new(ProblemKind::Argument, Place::Argument { name: "--consent".into() }, seen, cure)
        };
        let mut problems = Vec::new();
        for name in names {
            if !self.outputs.iter().any(|one| one.output.as_str() == name) {
                let known: Vec<&str> = self.outputs.iter().map(|one| one.output.as_str()).collect();
                let cure = match model::nearest(name, known.iter().copied()) {
                    Some(near) => format!("did you mean '{near}'?"),
                    None if known.is_empty() => "leave it out".into(),
                    None => format!("it takes over {}", known.join(", ")),
                };
                problems.push(problem(format!("{} does not take over '{name}'", self.title), cure));
            }
        }
        for one in &self.outputs {
            if !names.contains(&one.output.to_string()) {
                let seen = format!("{} takes over '{}' as well", self.title, one.output);
                problems.push(problem(seen, format!("add --consent {} if it may", one.output)));
            }
        }
        if problems.is_empty() { Ok(()) } else { Err(problems) }
    }
}

fn one(id: &OutputId, description: &Description) -> Option<ConsentedOutput> {
    let output = description.output(id)?;
    let quantity = |value: f64| model::Quantity { value, unit: output.unit.clone() };
    Some(ConsentedOutput {
        output: id.clone(),
        low: quantity(output.range.0),
        high: quantity(output.range.1),
        longest: output.longest_hold,
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::load;

    fn asked() -> Asked {
        let limits = procedure::Limits::default();
        let procedure = load::procedure("hold-demo", None, &limits).expect("it is shipped");
        Asked::of(&procedure, &load::car(None).expect("it is shipped"))
    }

    #[test]
    fn output_range_and_longest_hold_are_named_and_exhaust_gas_is_never_left_out() {
        let asked = asked();
        for again in [false, true] {
            let words = asked.words(again);
            for part in ["idle_valve", "from 0", "for at most", "Exhaust gas kills"] {
                assert!(words.contains(part), "{words}");
            }
        }
        assert!(asked.words(true).len() < asked.words(false).len() / 2);
    }

    #[test]
    fn only_a_plain_yes_agrees() {
        assert!(Asked::agrees(" Yes ") && Asked::agrees("yes"));
        for line in ["", "y", "yes please", "no", "ok"] {
            assert!(!Asked::agrees(line), "{line}");
        }
    }

    #[test]
    fn what_is_named_beforehand_must_be_all_of_it_and_nothing_else() {
        let asked = asked();
        assert_eq!(asked.named(&["idle_valve".into()]), Ok(()));
        let missing = asked.named(&[]).unwrap_err();
        assert!(missing[0].to_string().contains("add --consent idle_valve"), "{missing:?}");
        let typo = asked.named(&["idle_valve".into(), "idle_vlave".into()]).unwrap_err();
        assert!(typo[0].to_string().contains("did you mean 'idle_valve'?"), "{typo:?}");
    }

    #[test]
    fn consent_is_remembered_for_the_same_script_and_car_only() {
        let folder = tempfile::tempdir().unwrap();
        let consents = Consents::open(folder.path()).unwrap();
        let asked = asked();
        assert!(!asked.is_known(&consents));
        asked.remember(&consents).unwrap();
        assert!(asked.is_known(&Consents::open(folder.path()).unwrap()));
        assert!(!Asked { key: "0".into(), ..asked }.is_known(&consents));
    }
}
