//! Notes held against rules.

use std::collections::BTreeMap;

use model::cause::{Cause, Evidence, Grade, Speaks};
use model::event::NoteValue;
use model::{Estimate, Quantity, Unit, Word};
use signal::verdict::{Target, Verdict};

use super::rules::{Clue, End, Level, Rule, Rules, Wanted, Window};
use super::words;

/// The score from which on a cause is likely. Our own choice, no published source: with the shipped rules,
/// one telling test that is proven and not contradicted reaches it.
const LIKELY_SCORE: f64 = 3.0;

/// The share of the points it could have had that a likely cause has. Our own choice, no published source:
/// below it, more of what was looked at stayed silent than a likely cause would leave silent.
const LIKELY_SHARE: f64 = 1.0 / 3.0;

/// A set-up value of the car, as plain data.
#[derive(Debug, Clone, PartialEq)]
pub enum SetupLevel {
    /// One level.
    Level(Quantity),
    /// A window, both ends included.
    Window {
        /// Its lower end.
        low: Quantity,
        /// Its upper end.
        high: Quantity,
    },
}

/// Judges every cause on the notes of a run and gives them back most likely first: by grade, within a grade
/// by score, ties in the order of the file.
///
/// Evidence that is so gives its points for the cause, all when proven and half when only the estimate lies
/// inside; evidence that is not so takes its points against, all when the whole 95 % interval lies outside
/// and half when it straddles an edge; what cannot be judged counts nothing. The sum is the score. A cause
/// is likely from 3 points and a third of the points it could have had on, with something proven for it;
/// possible above 0 points; unlikely otherwise; and unknown while nothing of its evidence, or not all that
/// it needs, can be judged.
pub fn judge(
    rules: &Rules,
    notes: &BTreeMap<String, NoteValue>,
    setup: &BTreeMap<String, SetupLevel>,
) -> Vec<Cause> {
    let mut causes: Vec<Cause> = rules.causes.iter().map(|rule| cause(rule, notes, setup)).collect();
    causes.sort_by(|a, b| a.grade.cmp(&b.grade).then(b.score.total_cmp(&a.score)));
    causes
}

fn cause(rule: &Rule, notes: &BTreeMap<String, NoteValue>, setup: &BTreeMap<String, SetupLevel>) -> Cause {
    let weighed: Vec<(&Clue, Evidence, f64)> =
        rule.clues.iter().map(|clue| weighed(clue, notes.get(&clue.note), setup)).collect();
    let known = || weighed.iter().filter(|(_, evidence, _)| evidence.word != Word::Unknown);
    // A sum of nothing must be plus zero, or it would sort and print as minus zero.
    let score = weighed.iter().fold(0.0, |sum, (_, _, points)| sum + points);
    let most = known().fold(0.0, |sum, (clue, _, _)| sum + clue.points_for);
    let proven = known().any(|(_, e, _)| e.word == Word::Proven && e.speaks == Speaks::For);
    let lacking = rule.needs.iter().any(|need| !known().any(|(clue, _, _)| clue.note == *need));
    let grade = if lacking || known().next().is_none() {
        Grade::Unknown
    } else if score >= LIKELY_SCORE && score >= most * LIKELY_SHARE && proven {
        Grade::Likely
    } else if score > 0.0 {
        Grade::Possible
    } else {
        Grade::Unlikely
    };
    Cause {
        id: rule.id.clone(),
        title: rule.title.clone(),
        grade,
        score,
        evidence: weighed.into_iter().map(|(_, evidence, _)| evidence).collect(),
        next: rule.next.clone(),
    }
}

/// The clue with its evidence and its points.
fn weighed<'r>(
    clue: &'r Clue,
    note: Option<&NoteValue>,
    setup: &BTreeMap<String, SetupLevel>,
) -> (&'r Clue, Evidence, f64) {
    let resolved = Resolved::new(&clue.wanted, setup);
    let verdict = match (&resolved, note) {
        (_, None) => Err("is not in the notebook".to_string()),
        (Err(why), Some(_)) => Err(format!("cannot be judged: {why}")),
        (Ok(resolved), Some(note)) => resolved.judge(note),
    };
    let value = note.map(words::value).unwrap_or_default();
    let (verdict, why) = match verdict {
        Ok(verdict) => (verdict, String::new()),
        Err(why) => (Verdict::Unknown, why),
    };
    let parts = [clue.note.as_str(), value.as_str(), why.as_str()];
    let seen: Vec<&str> = parts.into_iter().filter(|part| !part.is_empty()).collect();
    let points = match verdict {
        Verdict::ProvenInside => clue.points_for,
        Verdict::Inside => clue.points_for / 2.0,
        Verdict::Unknown => 0.0,
        Verdict::Outside => -clue.points_against / 2.0,
        Verdict::ProvenOutside => -clue.points_against,
    };
    let speaks = if points > 0.0 {
        Speaks::For
    } else if points < 0.0 {
        Speaks::Against
    } else {
        Speaks::Nothing
    };
    let evidence = Evidence {
        note: clue.note.clone(),
        words: clue.words.clone(),
        seen: seen.join(" "),
        target: words::target(&clue.wanted, resolved.as_ref().ok()),
        word: verdict.word(),
        speaks,
    };
    (clue, evidence, points)
}

/// What is wanted, with the set-up values put in.
#[derive(Debug)]
pub(super) enum Resolved<'r> {
    Below(Quantity),
    Above(Quantity),
    Within(Quantity, Quantity),
    Outside(Quantity, Quantity),
    Flag(bool),
    Contains(&'r [String]),
}

impl<'r> Resolved<'r> {
    fn new(wanted: &'r Wanted, setup: &BTreeMap<String, SetupLevel>) -> Result<Self, String> {
        Ok(match wanted {
            Wanted::Below(edge) => Self::Below(level(edge, setup)?),
            Wanted::Above(edge) => Self::Above(level(edge, setup)?),
            Wanted::Within(ends) => {
                let (low, high) = window(ends, setup)?;
                Self::Within(low, high)
            }
            Wanted::Outside(ends) => {
                let (low, high) = window(ends, setup)?;
                Self::Outside(low, high)
            }
            Wanted::Flag(flag) => Self::Flag(*flag),
            Wanted::Contains(words) => Self::Contains(words),
        })
    }

    fn judge(&self, note: &NoteValue) -> Result<Verdict, String> {
        let exact = |so: bool| if so { Verdict::ProvenInside } else { Verdict::ProvenOutside };
        match (self, note) {
            (Self::Flag(wanted), NoteValue::Flag(flag)) => Ok(exact(flag == wanted)),
            (Self::Flag(_), _) => Err("is not a yes or no".into()),
            (Self::Contains(wanted), NoteValue::Text(text)) => {
                let has = |word: &String| words_of(text).any(|found| found.eq_ignore_ascii_case(word));
                Ok(exact(wanted.iter().any(has)))
            }
            (Self::Contains(_), _) => Err("is not a text".into()),
            (_, NoteValue::Quantity(Quantity { value, unit })) => self.number(*value, *value, *value, unit),
            (_, NoteValue::Estimate(Estimate { value, low, high, unit })) => {
                self.number(*value, *low, *high, unit)
            }
            (_, NoteValue::Text(_) | NoteValue::Flag(_)) => Err("is not a number".into()),
        }
    }

    /// Judges a number with its interval; the edges are converted to its unit.
    fn number(&self, value: f64, low: f64, high: f64, unit: &Unit) -> Result<Verdict, String> {
        if !value.is_finite() {
            return Err("is not a finite number".into());
        }
        // Ends that are no numbers fail this too.
        if !(low <= value && value <= high) {
            return Err("does not lie within its own interval".into());
        }
        let judged = |target: Target| target.judge(value, low, high);
        Ok(match self {
            Self::Below(edge) => judged(Target::below(edge_in(edge, unit)?)),
            Self::Above(edge) => judged(Target::above(edge_in(edge, unit)?)),
            Self::Within(min, max) => judged(Target { min: edge_in(min, unit)?, max: edge_in(max, unit)? }),
            Self::Outside(min, max) => {
                judged(Target { min: edge_in(min, unit)?, max: edge_in(max, unit)? }).opposite()
            }
            Self::Flag(_) | Self::Contains(_) => return Err("is a number".into()),
        })
    }
}

fn edge_in(edge: &Quantity, unit: &Unit) -> Result<f64, String> {
    let edge = edge.to(unit).map_err(|error| format!("cannot be compared: {error}"))?;
    if edge.value.is_finite() {
        Ok(edge.value)
    } else {
        Err("cannot be compared: its target is not finite".into())
    }
}

fn level(level: &Level, setup: &BTreeMap<String, SetupLevel>) -> Result<Quantity, String> {
    let (name, end) = match level {
        Level::Given(quantity) => return Ok(quantity.clone()),
        Level::SetUp { name, end } => (name, end),
    };
    match (setup_value(name, setup)?, end) {
        (SetupLevel::Level(level), None) => Ok(level.clone()),
        (SetupLevel::Window { low, .. }, Some(End::Low)) => Ok(low.clone()),
        (SetupLevel::Window { high, .. }, Some(End::High)) => Ok(high.clone()),
        (SetupLevel::Window { .. }, None) => {
            Err(format!("the set-up value '{name}' is a window, and the rule names neither of its ends"))
        }
        (SetupLevel::Level(_), Some(_)) => {
            Err(format!("the set-up value '{name}' is one level, and the rule names an end of a window"))
        }
    }
}

fn window(window: &Window, setup: &BTreeMap<String, SetupLevel>) -> Result<(Quantity, Quantity), String> {
    let name = match window {
        Window::Given { low, high, unit } => {
            return Ok((Quantity::new(*low, unit.clone()), Quantity::new(*high, unit.clone())));
        }
        Window::SetUp(name) => name,
    };
    let SetupLevel::Window { low, high } = setup_value(name, setup)? else {
        return Err(format!("the set-up value '{name}' is one level, and the rule asks for a window"));
    };
    let top =
        high.to(&low.unit).map_err(|error| format!("the set-up value '{name}' is no window: {error}"))?;
    if low.value <= top.value {
        Ok((low.clone(), high.clone()))
    } else {
        Err(format!("the set-up value '{name}' is no window: its lower end lies above its upper"))
    }
}

fn setup_value<'s>(name: &str, setup: &'s BTreeMap<String, SetupLevel>) -> Result<&'s SetupLevel, String> {
    setup.get(name).ok_or_else(|| format!("the car has no set-up value '{name}'"))
}

/// The words of a text: what stands between gaps, commas and semicolons.
pub(super) fn words_of(text: &str) -> impl Iterator<Item = &str> {
    text.split(|c: char| c.is_whitespace() || c == ',' || c == ';').filter(|word| !word.is_empty())
}
