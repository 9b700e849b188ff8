//! `holdgate rehearse`.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::Duration;

use bench_car::{Fault, Start, World, WorldConfig};
use clap::Args;
use link::Patience;
use model::event::NoteValue;
use model::{Ending, Event, Place, Problem, ProblemKind, StationId};
use procedure::Limits;

use super::refuse;
use crate::bench::{Variant, share, share_hands, warm_level};
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
    /// Which bench car, and which noise: one seed is one run, to the byte
    #[arg(long, default_value_t = 1)]
    seed: u64,
    /// Which kind of bench car: pressure (manifold pressure), mass (mass air flow, fewer readings) or single (its
    /// controller exchanges single bytes)
    #[arg(long, default_value = "pressure", value_name = "KIND")]
    bench: String,
    /// How the engine is found: warm (idling, a little short of warm), hot, cold (idling, just started),
    /// standing (cold, key on, not running), standing-warm
    #[arg(long, default_value = "warm", value_name = "STATE")]
    start: String,
    /// Degrees by which the throttle sensor is found turned from its right place
    #[arg(long, value_name = "DEGREES", allow_negative_numbers = true)]
    sensor_off: Option<f64>,
    /// Turns out from seated at which the bypass screw is found
    #[arg(long, value_name = "TURNS")]
    screw: Option<f64>,
    /// The idle is found far too high
    #[arg(long)]
    idle_high: bool,
    /// A fault of the bench car, with its severity from 0 to 1: NAME or NAME=0.5; may be given again
    #[arg(long = "fault", value_name = "NAME[=SEVERITY]")]
    faults: Vec<String>,
    /// A tag of the session; may be given again
    #[arg(long = "tag", value_name = "KEY=VALUE")]
    tags: Vec<String>,
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
    /// Write every event as a line of JSON, and the end as the last line
    #[arg(long)]
    json: bool,
}

pub(super) fn run(arguments: &Arguments) -> Ending {
    match prepare(arguments) {
        Err(problems) => refuse(&problems),
        Ok((plan, world)) => {
            let hands = share_hands(bench_car::hands::Hands::new(arguments.seed));
            match rehearse(&plan, share(world), hands, Hooks { stop: interrupted(), ..Hooks::default() }) {
                Ok(Some(ended)) => {
                    print(&ended, &plan.screen);
                    ended.ending
                }
                Ok(None) => Ending::BadInput,
                Err(problems) => refuse(&problems),
            }
        }
    }
}

fn prepare(arguments: &Arguments) -> Result<(Plan, World), Vec<Problem>> {
    let limits = Limits::default();
    let mut problems = Vec::new();
    if let Some(folder) = arguments.scripts.as_deref().filter(|folder| !folder.is_dir()) {
        let seen = format!("there is no folder '{}'", folder.display());
        problems.push(argument("--scripts", seen, "name the folder with your procedures"));
    }
    let procedure = load::procedure(&arguments.procedure, arguments.scripts.as_deref(), &limits);
    let variant = Variant::named(&arguments.bench);
    if variant.is_none() {
        let known = Variant::NAMES.map(|(name, _)| name).join(", ");
        let seen = format!("there is no bench car '{}'", arguments.bench);
        problems.push(argument("--bench", seen, &format!("choose one of {known}")));
    }
    let variant = variant.unwrap_or_default();
    let (file, text) = variant.description();
    let car = load::described(file, text);
    let mut tags = tags(&arguments.tags, &mut problems);
    let followed = arguments.follows.as_deref().map(followed).transpose();
    let followed = followed.map_err(|problem| problems.push(problem)).ok().flatten();
    let procedure = procedure.map_err(|more| problems.extend(more)).ok();
    let car = car.map_err(|more| problems.extend(more)).ok();
    if let (Some(followed), Some(car)) = (&followed, &car) {
        if followed.car == car.description.name {
            tags.insert("follows".into(), followed.session.clone());
        } else {
            let seen = format!("that session is of the car '{}'", followed.car);
            problems.push(argument("--follows", seen, "name a session of this car"));
        }
    }
    let world = world(arguments, variant, car.as_ref(), &mut problems);
    let (Some(procedure), Some(car), Some(world), true) = (procedure, car, world, problems.is_empty()) else {
        return Err(problems);
    };
    let style = if arguments.json { Style::Json } else { Style::Plain };
    let plan = Plan {
        session: session_name(&procedure.name, arguments.seed),
        procedure: Arc::new(procedure),
        car: Arc::new(car),
        station: StationId::new("bench").expect("a plain word is an id"),
        tags,
        earlier: followed.map(|followed| followed.notes).unwrap_or_default(),
        archive: arguments.archive.clone(),
        limits,
        patience: Patience::default(),
        script_patience: SCRIPT_PATIENCE,
        screen: Screen::terminal(style),
    };
    Ok((plan, world))
}

/// A session that another one follows.
struct Followed {
    session: String,
    car: String,
    notes: BTreeMap<String, NoteValue>,
}

fn followed(path: &Path) -> Result<Followed, Problem> {
    let session = record::read_session(path)?;
    let noted = session.events.iter().filter_map(|envelope| match &envelope.event {
        Event::Noted { key, value } => Some((format!("earlier:{key}"), value.clone())),
        _ => None,
    });
    // Later notes under one key stand for it.
    let notes = noted.collect();
    Ok(Followed { session: session.head().session.to_string(), car: session.head().car.clone(), notes })
}

/// The session's name from the script's and the seed: what is not fit for an id becomes `-`.
fn session_name(script: &str, seed: u64) -> String {
    let fit = |c: char| if c.is_ascii_alphanumeric() { c.to_ascii_lowercase() } else { '-' };
    let name: String = script.chars().map(fit).take(30).collect();
    format!("rehearsal-{}-seed-{seed}", name.trim_matches('-'))
}

fn tags(texts: &[String], problems: &mut Vec<Problem>) -> BTreeMap<String, String> {
    let mut tags = BTreeMap::new();
    for text in texts {
        match text.split_once('=') {
            Some((key, value)) if !key.trim().is_empty() => {
                tags.insert(key.trim().to_string(), value.to_string());
            }
            _ => problems.push(argument(
                "--tag",
                format!("'{text}' is not KEY=VALUE"),
                "write for example --tag fuel=e10",
            )),
        }
    }
    tags
}

fn world(
    arguments: &Arguments,
    variant: Variant,
    car: Option<&load::Car>,
    problems: &mut Vec<Problem>,
) -> Option<World> {
    let mut config = WorldConfig {
        seed: arguments.seed,
        sensor_off_by: arguments.sensor_off,
        screw_at: arguments.screw,
        idle_high: arguments.idle_high,
        ..WorldConfig::default()
    };
    variant.configure(&mut config);
    match STARTS.iter().find(|(name, _)| *name == arguments.start) {
        Some((_, start)) => config.start = *start,
        None => {
            let known = STARTS.map(|(name, _)| name).join(", ");
            let seen = format!("there is no starting state '{}'", arguments.start);
            problems.push(argument("--start", seen, &format!("choose one of {known}")));
        }
    }
    if let Some(warm) = car.and_then(|car| warm_level(&car.description)) {
        config.warm_at = warm;
    }
    for text in &arguments.faults {
        let (name, severity) = text.split_once('=').unwrap_or((text, "1"));
        match severity.parse() {
            Ok(severity) => config.faults.push(Fault::new(name, severity)),
            Err(_) => problems.push(argument(
                "--fault",
                format!("'{severity}' is not a severity"),
                "give a number from 0 to 1",
            )),
        }
    }
    World::new(config)
        .map_err(|error| {
            problems.push(argument("bench car", error.to_string(), "see holdgate rehearse --help"));
        })
        .ok()
}

/// The starting states by name.
const STARTS: [(&str, Start); 5] = [
    ("warm", Start::Warm),
    ("hot", Start::Hot),
    ("cold", Start::Cold),
    ("standing", Start::Standing),
    ("standing-warm", Start::StandingWarm),
];

fn argument(name: &str, seen: String, cure: &str) -> Problem {
    Problem::new(ProblemKind::Argument, Place::Argument { name: name.into() }, seen, cure)
}

/// Raises the latch at every wish of the system or its user to end: Ctrl-C, a closed terminal, a polite kill. A
/// second one changes nothing: the release has its own time budget.
async fn listen(raise: &clock::Stop) {
    #[cfg(unix)]
    {
        use tokio::signal::unix::{SignalKind, signal};
        match (signal(SignalKind::interrupt()), signal(SignalKind::terminate()), signal(SignalKind::hangup()))
        {
            (Ok(mut interrupt), Ok(mut terminate), Ok(mut hangup)) => loop {
                tokio::select! {
                    biased;
                    _ = interrupt.recv() => raise.raise("Ctrl-C"),
                    _ = terminate.recv() => raise.raise("a request to end the program"),
                    _ = hangup.recv() => raise.raise("the closing of its terminal"),
                }
            },
            _ => tracing::error!("signals cannot be listened for"),
        }
    }
    #[cfg(not(unix))]
    while tokio::signal::ctrl_c().await.is_ok() {
        raise.raise("Ctrl-C");
    }
}

/// A latch that Ctrl-C raises. It has a thread and a runtime of its own: real input beside a paused clock
/// would make it jump.
fn interrupted() -> clock::Stop {
    let stop = clock::Stop::new();
    let raise = stop.clone();
    let listener = std::thread::Builder::new().name("signals".into()).spawn(move || {
        let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build();
        match runtime {
            Ok(runtime) => runtime.block_on(listen(&raise)),
            Err(error) => tracing::error!(%error, "Ctrl-C cannot be listened for"),
        }
    });
    if let Err(error) = listener {
        tracing::error!(%error, "Ctrl-C cannot be listened for");
    }
    stop
}
