//! Tables read against their shape; every mistake is told and the reading goes on.

use std::collections::BTreeSet;

use model::{Place, Problem, ProblemKind, nearest};
use toml::de::{DeTable, DeValue};

use super::shape::{Holds, Key, LONGEST, MOST_POINTS, VERSION, is_name};
use super::source::{Lines, described, number, shown};

/// Reads the tables of one file.
pub(super) struct Reader<'f> {
    file: &'f str,
    lines: Lines,
    problems: Vec<(u32, Problem)>,
}

/// A table whose keys are known ones.
pub(super) struct Fields<'t> {
    /// Its dotted key in the file; empty for the file itself.
    path: String,
    line: u32,
    known: Vec<Field<'t>>,
    /// Whether it held a key that is none of its own.
    pub(super) strange: bool,
}

struct Field<'t> {
    key: &'static Key,
    line: u32,
    value: &'t DeValue<'t>,
}

impl Fields<'_> {
    pub(super) fn has(&self, name: &str) -> bool {
        self.field(name).is_some()
    }

    /// Names of the keys that are there.
    pub(super) fn names(&self) -> impl Iterator<Item = &'static str> {
        self.known.iter().map(|field| field.key.name)
    }

    fn field(&self, name: &str) -> Option<&Field<'_>> {
        self.known.iter().find(|field| field.key.name == name)
    }
}

impl<'f> Reader<'f> {
    pub(super) fn new(file: &'f str, lines: Lines) -> Self {
        Self { file, lines, problems: Vec::new() }
    }

    /// Tells a mistake at a key of a table, or at the table itself where the key is empty.
    pub(super) fn tell(
        &mut self,
        at: &Fields<'_>,
        key: &str,
        seen: impl Into<String>,
        cure: impl Into<String>,
    ) {
        let line = at.field(key).map_or(at.line, |field| field.line);
        self.put(line, join(&at.path, key), seen, cure);
    }

    fn put(&mut self, line: u32, key: String, seen: impl Into<String>, cure: impl Into<String>) {
        let key = if key.is_empty() { "the file".to_string() } else { key };
        let place = Place::Key { file: self.file.to_string(), line, key };
        self.problems.push((line, Problem::new(ProblemKind::Rules, place, seen, cure)));
    }

    /// All mistakes in the order of the file.
    pub(super) fn finish(mut self) -> Vec<Problem> {
        self.problems.sort_by_key(|(line, _)| *line);
        self.problems.into_iter().map(|(_, problem)| problem).collect()
    }

    /// The file's own table.
    pub(super) fn file<'t>(&mut self, table: &'t DeTable<'t>, keys: &'static [Key]) -> Fields<'t> {
        self.fields(String::new(), 1, table, &keys.iter().collect::<Vec<_>>())
    }

    /// A table, with its unknown and its missing keys told.
    fn fields<'t>(
        &mut self,
        path: String,
        line: u32,
        table: &'t DeTable<'t>,
        keys: &[&'static Key],
    ) -> Fields<'t> {
        let mut fields = Fields { path, line, known: Vec::new(), strange: false };
        let mut strange: Vec<(String, u32)> = Vec::new();
        for (name, value) in table {
            let line = self.lines.line(name.span().start);
            match keys.iter().find(|key| key.name == name.get_ref()) {
                Some(key) => fields.known.push(Field { key, line, value: value.get_ref() }),
                None => strange.push((name.get_ref().to_string(), line)),
            }
        }
        // A key that stands for a misspelt one explains why that one is missing.
        let mut meant: BTreeSet<&str> = BTreeSet::new();
        for (name, line) in strange {
            fields.strange = true;
            let absent = keys.iter().map(|key| key.name).filter(|known| !fields.has(known));
            let cure = match nearest(&name, absent) {
                Some(near) => {
                    meant.insert(near);
                    format!("did you mean '{near}'?")
                }
                None => {
                    let known: Vec<&str> = keys.iter().map(|key| key.name).collect();
                    format!("the keys known here are {}", known.join(", "))
                }
            };
            let key = join(&fields.path, &shown(&name));
            self.put(line, key, format!("'{}' is not a known key", shown(&name)), cure);
        }
        for key in keys.iter().filter(|key| key.needed && !meant.contains(key.name)) {
            if !fields.has(key.name) {
                let cure = match key.holds {
                    Holds::Tables(_) => format!("add a table [[{}]] for each: {}", key.name, key.words),
                    _ => format!("add {}: {}", key.name, key.words),
                };
                self.tell(&fields, key.name, format!("'{}' is missing", key.name), cure);
            }
        }
        fields
    }

    /// What a key holds, where it is there and is what it should be; otherwise that is told.
    fn get<'t, T>(
        &mut self,
        at: &Fields<'t>,
        name: &str,
        read: impl FnOnce(&'t DeValue<'t>) -> Option<T>,
    ) -> Option<T> {
        let field = at.known.iter().find(|field| field.key.name == name)?;
        let held = read(field.value);
        if held.is_none() {
            let cure = format!("give {}: {}", field.key.holds.asks(), field.key.words);
            self.put(field.line, join(&at.path, name), format!("this is {}", described(field.value)), cure);
        }
        held
    }

    /// Checks the version; another one makes everything else doubtful, but is told with the rest.
    pub(super) fn version(&mut self, at: &Fields<'_>, name: &str) {
        self.get(at, name, |value| number(value).filter(|found| *found == VERSION as f64));
    }

    pub(super) fn text(&mut self, at: &Fields<'_>, name: &str) -> Option<String> {
        self.get(at, name, text)
    }

    pub(super) fn texts(&mut self, at: &Fields<'_>, name: &str) -> Option<Vec<String>> {
        self.get(at, name, |value| list(value, text).filter(|texts| !texts.is_empty()))
    }

    pub(super) fn name(&mut self, at: &Fields<'_>, name: &str) -> Option<String> {
        self.get(at, name, plain_name)
    }

    pub(super) fn names(&mut self, at: &Fields<'_>, name: &str) -> Option<Vec<String>> {
        self.get(at, name, |value| list(value, plain_name))
    }

    /// Text of any kind, to be looked at further.
    pub(super) fn word(&mut self, at: &Fields<'_>, name: &str) -> Option<String> {
        self.get(at, name, |value| Some(value.as_str()?.to_string()))
    }

    pub(super) fn number(&mut self, at: &Fields<'_>, name: &str) -> Option<f64> {
        self.get(at, name, number)
    }

    pub(super) fn ends(&mut self, at: &Fields<'_>, name: &str) -> Option<(f64, f64)> {
        self.get(at, name, |value| match list(value, number)?.as_slice() {
            [low, high] if low < high => Some((*low, *high)),
            _ => None,
        })
    }

    pub(super) fn points(&mut self, at: &Fields<'_>, name: &str) -> Option<f64> {
        self.get(at, name, |value| number(value).filter(|points| (0.0..=MOST_POINTS).contains(points)))
    }

    pub(super) fn flag(&mut self, at: &Fields<'_>, name: &str) -> Option<bool> {
        self.get(at, name, DeValue::as_bool)
    }

    /// A table below a key.
    pub(super) fn table<'t>(
        &mut self,
        at: &Fields<'t>,
        name: &str,
        keys: &[&'static Key],
    ) -> Option<Fields<'t>> {
        let table = self.get(at, name, DeValue::as_table)?;
        let line = at.field(name).map_or(at.line, |field| field.line);
        Some(self.fields(join(&at.path, name), line, table, keys))
    }

    /// A list of tables below a key. Each is called by its id, without one by its number, counted from 1.
    pub(super) fn tables<'t>(
        &mut self,
        at: &Fields<'t>,
        name: &str,
        keys: &'static [Key],
    ) -> Vec<Fields<'t>> {
        let list = self.get(at, name, |value| {
            let list = value.as_array()?;
            let tables = list.iter().map(|entry| Some((entry.span().start, entry.get_ref().as_table()?)));
            tables.collect::<Option<Vec<_>>>().filter(|tables| !tables.is_empty())
        });
        let keys: Vec<&'static Key> = keys.iter().collect();
        let mut tables = Vec::new();
        for (i, (start, table)) in list.unwrap_or_default().into_iter().enumerate() {
            let id = table.get("id").and_then(|id| plain_name(id.get_ref()));
            let label = id.unwrap_or_else(|| (i + 1).to_string());
            let path = join(&join(&at.path, name), &label);
            tables.push(self.fields(path, self.lines.line(start), table, &keys));
        }
        tables
    }
}

fn join(path: &str, key: &str) -> String {
    match (path, key) {
        (path, "") => path.to_string(),
        ("", key) => key.to_string(),
        (path, key) => format!("{path}.{key}"),
    }
}

fn text(value: &DeValue<'_>) -> Option<String> {
    let text = value.as_str()?.trim();
    (1..=LONGEST).contains(&text.chars().count()).then(|| text.to_string())
}

fn plain_name(value: &DeValue<'_>) -> Option<String> {
    value.as_str().filter(|name| is_name(name)).map(str::to_string)
}

fn list<'t, T>(value: &'t DeValue<'t>, read: impl Fn(&'t DeValue<'t>) -> Option<T>) -> Option<Vec<T>> {
    value.as_array()?.iter().map(|entry| read(entry.get_ref())).collect()
}
