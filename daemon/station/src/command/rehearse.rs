//! `holdgate rehearse`.

use std::fs::File;
use std::io::BufWriter;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::Duration;

use bench_car::World;
use clap::Args;
use link::Patience;
use model::{Ending, Place, Problem, ProblemKind, StationId};
use procedure::Limits;

use super::bench::CarArguments;
use super::job::{JobArguments, SayArguments};
use super::session::{Followed, argument, tags};
use super::signals::interrupted;
use super::{complain, refuse};
use crate::bench::{SharedWorld, share, share_hands};
use crate::load;
use crate::run::{Hooks, Plan, print, rehearse};
use crate::sides::screen::{Screen, Style};

/// How long, in real time, a script may compute between two calls before a rehearsal gives it up. Its limits
/// on operations end it far sooner.
const SCRIPT_PATIENCE: Duration = Duration::from_secs(30);

#[derive(Debug, Args)]
pub(super) struct Arguments {
    /// The procedure: a shipped name or the path of a .rhai file
    procedure: String,
    #[command(flatten)]
    car: CarArguments,
    /// A tag of the session; may be given again
    #[arg(long = "tag", value_name = "KEY=VALUE")]
    tags: Vec<String>,
    #[command(flatten)]
    job: JobArguments,
    #[command(flatten)]
    say: SayArguments,
    /// The folder of an earlier session of the same car that this one follows: its notes can be read, and it is
    /// named in the tags
    #[arg(long, value_name = "SESSION")]
    follows: Option<PathBuf>,
    /// The folder of recorded sessions
    #[arg(long, default_value = "archive", value_name = "FOLDER")]
    archive: PathBuf,
    /// A folder with procedures of your own, which come before the shipped ones
    #[arg(long, value_name = "FOLDER")]
    scripts: Option<PathBuf>,
    /// Write what the bench car was asked and what it sent as CSV, from its own log, to check the record against
    #[arg(long, value_name = "FILE")]
    sent: Option<PathBuf>,
    /// Write every event as a line of JSON, and the end as the last line
    #[arg(long)]
    json: bool,
}

pub(super) fn run(arguments: &Arguments) -> Ending {
    match prepare(arguments) {
        Err(problems) => refuse(&problems),
        Ok((plan, world)) => {
            let hands = share_hands(bench_car::hands::Hands::new(arguments.car.seed));
            let stop = match interrupted() {
                Ok(stop) => stop,
                Err(problem) => return refuse(&[problem]),
            };
            let world = share(world);
            let sent = match arguments.sent.as_deref().map(Sent::create).transpose() {
                Ok(sent) => sent,
                Err(problem) => return refuse(&[problem]),
            };
            let rehearsed = rehearse(&plan, world.clone(), hands, Hooks { stop, ..Hooks::default() });
            let written = sent.map(|sent| sent.write(&world)).transpose();
            let ending = match rehearsed {
                Ok(Some(ended)) => {
                    print(&ended, &plan.screen);
                    ended.ending
                }
                Ok(None) => Ending::BadInput,
                Err(problems) => refuse(&problems),
            };
            match written {
                Err(problem) if ending == Ending::Passed => refuse(&[problem]),
                Err(problem) => {
                    complain(&problem.to_string());
                    ending
                }
                Ok(_) => ending,
            }
        }
    }
}

/// The file for what the bench car sends. It is made before the run, so that a wrong path costs no run.
pub(super) struct Sent<'a> {
    path: &'a Path,
    file: File,
}

impl<'a> Sent<'a> {
    pub(super) fn create(path: &'a Path) -> Result<Self, Problem> {
        let file = File::create(path).map_err(|error| unwritten(path, &error))?;
        Ok(Self { path, file })
    }

    pub(super) fn write(self, world: &SharedWorld) -> Result<(), Problem> {
        let mut out = BufWriter::new(self.file);
        bench_car::write_sent(world.borrow().log(), &mut out).map_err(|error| unwritten(self.path, &error))
    }
}

fn unwritten(path: &Path, error: &std::io::Error) -> Problem {
    let place = Place::Path { path: path.display().to_string() };
    let seen = format!("what the bench car sent cannot be written: {error}");
    Problem::new(ProblemKind::Argument, place, seen, "give --sent a file in a folder of yours that is there")
}

fn prepare(arguments: &Arguments) -> Result<(Plan, World), Vec<Problem>> {
    let limits = Limits::default();
    let mut problems = Vec::new();
    if let Some(folder) = arguments.scripts.as_deref().filter(|folder| !folder.is_dir()) {
        let seen = format!("there is no folder '{}'", folder.display());
        problems.push(argument("--scripts", seen, "name the folder with your procedures"));
    }
    let procedure = load::procedure(&arguments.procedure, arguments.scripts.as_deref(), &limits);
    let car_config = arguments.car.config().map_err(|more| problems.extend(more)).ok();
    let (variant, mut config) = car_config.unwrap_or_default();
    config.keep_log |= arguments.sent.is_some();
    let (file, text) = variant.description();
    let car = load::described(file, text);
    let mut tags = tags(&arguments.tags, &mut problems);
    let mut about = arguments.job.about(&mut problems);
    about.foretold = arguments.say.foretold(&mut problems);
    let followed = arguments.follows.as_deref().map(Followed::read).transpose();
    let followed = followed.map_err(|problem| problems.push(problem)).ok().flatten();
    let procedure = procedure.map_err(|more| problems.extend(more)).ok();
    let car = car.map_err(|more| problems.extend(more)).ok();
    if let (Some(followed), Some(car)) = (&followed, &car) {
        problems.extend(followed.tag(&car.description.name, &mut tags).err());
    }
    let world = World::new(config).map_err(|error| {
        problems.push(argument("bench car", error.to_string(), "see holdgate rehearse --help"));
    });
    let (Some(procedure), Some(car), Ok(world), true) = (procedure, car, world, problems.is_empty()) else {
        return Err(problems);
    };
    let style = if arguments.json { Style::Json } else { Style::Plain };
    let plan = Plan {
        session: session_name(&procedure.name, arguments.car.seed),
        procedure: Arc::new(procedure),
        car: Arc::new(car),
        station: StationId::new("bench").expect("a plain word is an id"),
        tags,
        about,
        earlier: followed.map(|followed| followed.notes).unwrap_or_default(),
        archive: arguments.archive.clone(),
        limits,
        patience: Patience::default(),
        script_patience: SCRIPT_PATIENCE,
        screen: Screen::terminal(style),
    };
    Ok((plan, world))
}

/// The session's name from the script's and the seed: what is not fit for an id becomes `-`.
fn session_name(script: &str, seed: u64) -> String {
    let fit = |c: char| if c.is_ascii_alphanumeric() { c.to_ascii_lowercase() } else { '-' };
    let name: String = script.chars().map(fit).take(30).collect();
    format!("rehearsal-{}-seed-{seed}", name.trim_matches('-'))
}
