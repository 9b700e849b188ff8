//! `holdgate check`.

use std::path::{Path, PathBuf};

use clap::Args;
use model::{Ending, Problem};
use procedure::Limits;
use procedure::check::{Checked, Class, Finding};
use serde::Serialize;

#[cfg(feature = "bench-car")]
use super::bench::KindArgument;
use super::refuse;
use super::session::argument;
use crate::load;
use crate::sides::ground;
use crate::sides::screen::{Screen, Style};

#[derive(Debug, Args)]
pub(super) struct Arguments {
    /// The procedure: a shipped name or the path of a .rhai file
    procedure: String,
    /// The description of the car to check it against
    #[cfg(not(feature = "bench-car"))]
    #[arg(long, value_name = "DESCRIPTION")]
    car: PathBuf,
    /// The description of the car to check it against; a bench car's where none is given
    #[cfg(feature = "bench-car")]
    #[arg(long, value_name = "DESCRIPTION", conflicts_with = "bench")]
    car: Option<PathBuf>,
    #[cfg(feature = "bench-car")]
    #[command(flatten)]
    kind: KindArgument,
    /// A folder with procedures of your own, which come before the shipped ones
    #[arg(long, value_name = "FOLDER")]
    scripts: Option<PathBuf>,
    /// Write every finding as a line of JSON, and the end as the last line
    #[arg(long)]
    json: bool,
}

pub(super) fn run(arguments: &Arguments) -> Ending {
    let (checked, car) = match checked(arguments) {
        Ok(both) => both,
        Err(problems) => return refuse(&problems),
    };
    let screen = Screen::terminal(if arguments.json { Style::Json } else { Style::Plain });
    let lines =
        if arguments.json { json(&checked, &car) } else { words(&checked, &arguments.procedure, &car) };
    lines.iter().for_each(|line| screen.line(line));
    checked.ending()
}

fn checked(arguments: &Arguments) -> Result<(Checked, String), Vec<Problem>> {
    let mut problems = Vec::new();
    let folder = arguments.scripts.as_deref();
    if let Some(folder) = folder.filter(|folder| !folder.is_dir()) {
        let seen = format!("there is no folder '{}'", folder.display());
        problems.push(argument("--scripts", seen, "name the folder with your procedures"));
    }
    let car = described(arguments).map_err(|more| problems.extend(more)).ok();
    let text = load::text(&arguments.procedure, folder).map_err(|problem| problems.push(problem)).ok();
    let (Some(car), Some((file, text)), true) = (car, text, problems.is_empty()) else {
        return Err(problems);
    };
    let limits = Limits::default();
    let rules = rules(&arguments.procedure, &file, &text, folder, &limits)?;
    let ground = ground::of(&car.description, rules);
    Ok((procedure::check::check(&file, &text, &ground, &limits), car.description.name))
}

/// The finding rules of the procedure, which go by the name that it gives itself; where its header cannot be read,
/// by the name that it was asked for.
fn rules(
    asked: &str,
    file: &str,
    text: &str,
    folder: Option<&Path>,
    limits: &Limits,
) -> Result<Option<procedure::check::RuleNames>, Vec<Problem>> {
    let own = load::compile(file, text, limits).ok().map(|procedure| procedure.name);
    let name = own.as_deref().unwrap_or(asked);
    let found = load::findings_text(name, Path::new(file), folder).map_err(|problem| vec![problem])?;
    found.map(|(file, text)| ground::rule_names(&file, &text)).transpose()
}

#[cfg(feature = "bench-car")]
fn described(arguments: &Arguments) -> Result<load::Car, Vec<Problem>> {
    if let Some(path) = &arguments.car {
        return load::car(Some(path));
    }
    let variant = arguments.kind.variant().map_err(|problem| vec![problem])?;
    let (file, text) = variant.description();
    load::described(file, text)
}

#[cfg(not(feature = "bench-car"))]
fn described(arguments: &Arguments) -> Result<load::Car, Vec<Problem>> {
    load::car(Some(&arguments.car))
}

/// What a person reads.
pub fn words(checked: &Checked, procedure: &str, car: &str) -> Vec<String> {
    let mut lines: Vec<String> = checked.findings.iter().map(ToString::to_string).collect();
    let counted = |class: Class, one: &str, many: &str| match checked.count(class) {
        1 => format!("1 {one}"),
        n => format!("{n} {many}"),
    };
    lines.push(format!(
        "{procedure} against {car}: {}, {}, {}",
        counted(Class::Mistake, "mistake", "mistakes"),
        counted(Class::Hint, "hint", "hints"),
        counted(Class::Undecided, "thing undecided", "things undecided"),
    ));
    lines
}

/// A finding as programs read it.
#[derive(Serialize)]
struct Line<'c> {
    class: &'static str,
    kind: &'static str,
    file: &'c str,
    line: u32,
    column: u32,
    seen: &'c str,
    cure: &'c str,
}

/// The end, as programs read it.
#[derive(Serialize)]
struct End<'c> {
    kind: &'static str,
    car: &'c str,
    ending: Ending,
    mistakes: usize,
    hints: usize,
    undecided: usize,
}

/// What programs read: an object a line, the end as the last.
pub fn json(checked: &Checked, car: &str) -> Vec<String> {
    let line = |finding: &Finding| {
        written(&Line {
            class: finding.class.word(),
            kind: finding.kind.word(),
            file: &finding.file,
            line: finding.line,
            column: finding.column,
            seen: &finding.seen,
            cure: &finding.cure,
        })
    };
    let end = written(&End {
        kind: "check_ended",
        car,
        ending: checked.ending(),
        mistakes: checked.count(Class::Mistake),
        hints: checked.count(Class::Hint),
        undecided: checked.count(Class::Undecided),
    });
    checked.findings.iter().map(line).chain([end]).collect()
}

fn written(value: &impl Serialize) -> String {
    serde_json::to_string(value).expect("a flat struct of texts and numbers can be written")
}
