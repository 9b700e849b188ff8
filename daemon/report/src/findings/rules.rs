//! Rules, checked.

use std::collections::{BTreeMap, BTreeSet};

use model::{Problem, Quantity, Unit, nearest};

use super::read::{Fields, Reader};
use super::shape::{CAUSE, EVIDENCE, FILE, Key, TESTS, UNIT, is_name};
use super::source::{parse, shown};

/// Rules by which causes are judged.
#[derive(Debug, Clone, PartialEq)]
pub struct Rules {
    pub(super) causes: Vec<Rule>,
}

/// A cause and what speaks for and against it.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Rule {
    pub(super) id: String,
    pub(super) title: String,
    pub(super) next: Vec<String>,
    pub(super) needs: Vec<String>,
    pub(super) clues: Vec<Clue>,
}

/// A note, what it is held against, and the points.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Clue {
    pub(super) note: String,
    pub(super) wanted: Wanted,
    pub(super) words: String,
    pub(super) points_for: f64,
    pub(super) points_against: f64,
}

/// What a note is held against.
#[derive(Debug, Clone, PartialEq)]
pub(super) enum Wanted {
    Below(Level),
    Above(Level),
    Within(Window),
    Outside(Window),
    Flag(bool),
    /// Any of these words.
    Contains(Vec<String>),
}

/// A level, given or of the set-up values.
#[derive(Debug, Clone, PartialEq)]
pub(super) enum Level {
    Given(Quantity),
    SetUp { name: String, end: Option<End> },
}

/// An end of a window.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum End {
    Low,
    High,
}

/// A window, given or of the set-up values.
#[derive(Debug, Clone, PartialEq)]
pub(super) enum Window {
    Given { low: f64, high: f64, unit: Unit },
    SetUp(String),
}

impl Rules {
    /// Reads and checks the rules of a file. Every mistake is told at once, each with its line, its key, what
    /// was seen and the cure; mistakes of TOML's own syntax come first and alone.
    pub fn load(file: &str, text: &str) -> Result<Self, Vec<Problem>> {
        let (table, lines) = parse(file, text)?;
        let mut reader = Reader::new(file, lines);
        let top = reader.file(&table, FILE);
        reader.version(&top, "schema");
        let mut causes = Vec::new();
        let mut ids = BTreeSet::new();
        for fields in reader.tables(&top, "cause", CAUSE) {
            let id = reader.name(&fields, "id");
            if let Some(id) = &id
                && !ids.insert(id.clone())
            {
                reader.tell(
                    &fields,
                    "id",
                    format!("'{id}' is the id of an earlier cause"),
                    "give it its own id",
                );
            }
            causes.extend(rule(&mut reader, &fields, id));
        }
        let problems = reader.finish();
        if problems.is_empty() { Ok(Self { causes }) } else { Err(problems) }
    }

    /// Keys of the notes that any evidence asks for, each once, sorted.
    pub fn notes(&self) -> BTreeSet<&str> {
        self.clues().map(|clue| clue.note.as_str()).collect()
    }

    /// Names of the set-up values that any evidence asks for, each once, sorted.
    pub fn setup_values(&self) -> BTreeSet<&str> {
        self.clues().filter_map(|clue| clue.wanted.setup_value()).collect()
    }

    fn clues(&self) -> impl Iterator<Item = &Clue> {
        self.causes.iter().flat_map(|cause| &cause.clues)
    }
}

impl Wanted {
    fn setup_value(&self) -> Option<&str> {
        match self {
            Self::Below(Level::SetUp { name, .. })
            | Self::Above(Level::SetUp { name, .. })
            | Self::Within(Window::SetUp(name))
            | Self::Outside(Window::SetUp(name)) => Some(name),
            _ => None,
        }
    }
}

fn rule(reader: &mut Reader<'_>, fields: &Fields<'_>, id: Option<String>) -> Option<Rule> {
    let title = reader.text(fields, "title");
    let next = reader.texts(fields, "next");
    let needs = reader.names(fields, "needs").unwrap_or_default();
    let mut clues = Vec::new();
    let mut notes = BTreeMap::new();
    for (i, evidence) in reader.tables(fields, "evidence", EVIDENCE).iter().enumerate() {
        let note = reader.name(evidence, "note");
        notes.extend(note.clone().map(|note| (note, i)));
        clues.push(clue(reader, evidence, note));
    }
    for need in needs.iter().filter(|need| !notes.contains_key(*need)) {
        // Without evidence on it, a misspelt need would leave the cause unknown for good.
        let known = notes.keys().map(String::as_str);
        let cure = match nearest(need, known) {
            Some(near) => format!("did you mean '{near}'?"),
            None => "name a note of this cause's evidence, or leave it out".into(),
        };
        reader.tell(fields, "needs", format!("no evidence of this cause is on '{need}'"), cure);
    }
    let clues = clues.into_iter().collect::<Option<Vec<Clue>>>()?;
    Some(Rule { id: id?, title: title?, next: next?, needs, clues })
}

fn clue(reader: &mut Reader<'_>, fields: &Fields<'_>, note: Option<String>) -> Option<Clue> {
    let wanted = wanted(reader, fields);
    let words = reader.text(fields, "words");
    let points_for = reader.points(fields, "for");
    let given_against = reader.points(fields, "against");
    let points_against = given_against.unwrap_or(0.0);
    if points_for == Some(0.0) && points_against == 0.0 && given_against.is_some() == fields.has("against") {
        let cure = "give 'for', 'against' or both more than 0, or leave the evidence out";
        reader.tell(fields, "for", "this evidence carries no points either way", cure);
    }
    Some(Clue { note: note?, wanted: wanted?, words: words?, points_for: points_for?, points_against })
}

fn wanted(reader: &mut Reader<'_>, fields: &Fields<'_>) -> Option<Wanted> {
    let keys: Vec<&'static Key> = TESTS.iter().chain([UNIT]).collect();
    let is = reader.table(fields, "is", &keys)?;
    let tests: Vec<&'static str> = is.names().filter(|name| *name != UNIT.name).collect();
    let test = match tests.as_slice() {
        [] if is.strange => return None,
        [] => {
            let known: Vec<&str> = TESTS.iter().map(|key| key.name).collect();
            reader.tell(&is, "", "there is no test", format!("give one of {}", known.join(", ")));
            return None;
        }
        [test] => *test,
        several => {
            let seen = format!("there are {} tests: {}", several.len(), several.join(", "));
            reader.tell(&is, "", seen, "keep one, and give the others evidence of their own");
            return None;
        }
    };
    let unit = unit(reader, &is, test);
    Some(match test {
        "below" => Wanted::Below(given(reader.number(&is, test), unit)?),
        "above" => Wanted::Above(given(reader.number(&is, test), unit)?),
        "within" => Wanted::Within(window(reader.ends(&is, test), unit)?),
        "outside" => Wanted::Outside(window(reader.ends(&is, test), unit)?),
        "below_setup" => Wanted::Below(level(reader, &is, test)?),
        "above_setup" => Wanted::Above(level(reader, &is, test)?),
        "within_setup" => Wanted::Within(Window::SetUp(reader.name(&is, test)?)),
        "outside_setup" => Wanted::Outside(Window::SetUp(reader.name(&is, test)?)),
        "flag" => Wanted::Flag(reader.flag(&is, test)?),
        "contains" => Wanted::Contains(contained(reader, &is, test)?),
        other => unreachable!("'{other}' is none of the tests of the shape"),
    })
}

/// The unit of a test that holds numbers; one too many or one that is missing is told.
fn unit(reader: &mut Reader<'_>, is: &Fields<'_>, test: &str) -> Option<Unit> {
    let with_unit = TESTS.iter().any(|key| key.name == test && key.with_unit());
    match (with_unit, is.has(UNIT.name)) {
        (false, false) => None,
        (false, true) => {
            let seen = format!("'{test}' takes no unit");
            reader.tell(is, UNIT.name, seen, "leave it out: only numbers written here have one");
            None
        }
        (true, false) => {
            if !is.strange {
                let cure = format!("add unit: {}; give {}", UNIT.words, UNIT.holds.asks());
                reader.tell(is, UNIT.name, "'unit' is missing", cure);
            }
            None
        }
        (true, true) => {
            let code = reader.word(is, UNIT.name)?;
            match Unit::new(&code) {
                Ok(unit) => Some(unit),
                Err(error) => {
                    reader.tell(is, UNIT.name, error.to_string(), format!("give {}", UNIT.holds.asks()));
                    None
                }
            }
        }
    }
}

fn given(number: Option<f64>, unit: Option<Unit>) -> Option<Level> {
    Some(Level::Given(Quantity::new(number?, unit?)))
}

fn window(ends: Option<(f64, f64)>, unit: Option<Unit>) -> Option<Window> {
    let (low, high) = ends?;
    Some(Window::Given { low, high, unit: unit? })
}

fn level(reader: &mut Reader<'_>, is: &Fields<'_>, test: &str) -> Option<Level> {
    let text = reader.word(is, test)?;
    let (name, end) = match text.rsplit_once('.') {
        Some((name, "low")) => (name, Some(End::Low)),
        Some((name, "high")) => (name, Some(End::High)),
        Some(_) => ("", None),
        None => (text.as_str(), None),
    };
    if is_name(name) {
        return Some(Level::SetUp { name: name.to_string(), end });
    }
    let cure = "give the name of a set-up value; for one end of a window, its name with .low or .high";
    reader.tell(is, test, format!("'{}' names no set-up value", shown(&text)), cure);
    None
}

/// Words are looked for one by one, so none may have a gap in it.
fn contained(reader: &mut Reader<'_>, is: &Fields<'_>, test: &str) -> Option<Vec<String>> {
    let words = reader.texts(is, test)?;
    let parted: Vec<&String> =
        words.iter().filter(|word| super::judge::words_of(word).count() != 1).collect();
    if let Some(word) = parted.first() {
        let seen = format!("'{}' is not one word", shown(word));
        reader.tell(is, test, seen, "give single words, each in its own quotes: any of them will do");
        return None;
    }
    Some(words)
}
