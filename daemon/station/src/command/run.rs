//! `holdgate run`.

use std::future::poll_fn;
use std::io::{BufReader, IsTerminal};
use std::path::PathBuf;
use std::sync::Arc;
use std::time::Duration;

use clap::Args;
use clock::{Clock, Stop};
use link::{Operator, Patience, Viewer};
use model::{Ending, Event, Problem, Span, StationId};
use procedure::Limits;
use record::Consents;

use super::job::JobArguments;
use super::refuse;
use super::session::{Followed, argument, tags};
use super::signals::{Listened, listened};
use crate::consent::Asked;
use crate::load;
use crate::port::Port;
use crate::run::{Plan, RealParts, print, real};
use crate::sides::distant::Distant;
use crate::sides::person::Person;
use crate::sides::said::{Accompanied, StopOnly, Voices};
use crate::sides::screen::{Screen, Style};
use crate::sides::typed::Typed;

/// Never used in real time: a script that computes without end is ended by its limits.
const SCRIPT_PATIENCE: Duration = Duration::from_secs(30);

#[derive(Debug, Args)]
pub(super) struct Arguments {
    /// The procedure: a shipped name or the path of a .rhai file
    procedure: String,
    /// The car's description: the path of a .toml file, or a shipped name (bench-car, bench-car-mass, bench-car-single)
    #[arg(long, value_name = "DESCRIPTION")]
    car: String,
    /// The serial port, see `holdgate ports`
    #[arg(long, value_name = "PATH")]
    port: String,
    /// Agrees beforehand that this output is taken over; again for more. Without it you are asked
    #[arg(long = "consent", value_name = "OUTPUT")]
    consent: Vec<String>,
    /// Has prompts answered by whoever listens at this Unix socket instead of the terminal
    #[arg(long, value_name = "SOCKET")]
    operator: Option<PathBuf>,
    /// Seconds for which a link may stay down before the run ends
    #[arg(long, value_name = "SECONDS", default_value_t = 30, value_parser = clap::value_parser!(u16).range(1..))]
    link_patience: u16,
    /// The name of this place; a restart under the same name releases first what a crash left held
    #[arg(long, default_value = "garage", value_name = "NAME")]
    station: String,
    /// A tag of the session; may be given again
    #[arg(long = "tag", value_name = "KEY=VALUE")]
    tags: Vec<String>,
    #[command(flatten)]
    job: JobArguments,
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
    let ended = listened().map_err(|problem| vec![problem]).and_then(|signals| try_run(arguments, signals));
    match ended {
        Ok(ending) => ending,
        Err(problems) => refuse(&problems),
    }
}

fn try_run(arguments: &Arguments, signals: Listened) -> Result<Ending, Vec<Problem>> {
    let Listened { stop, marks } = signals;
    let plan = Arc::new(prepare(arguments)?);
    let typed = Typed::read(BufReader::new(std::io::stdin()));
    let typed = typed.map_err(|error| vec![argument("standard input", error.to_string(), "free memory")])?;
    let asked = Asked::of(&plan.procedure, &plan.car);
    // What cannot work is told before anybody is asked to agree to it.
    let distant =
        arguments.operator.as_deref().map(|socket| Distant::connect(socket, stop.clone())).transpose();
    let distant = distant.map_err(|problem| vec![problem])?;
    let port = Port::at(&arguments.port);
    port.is_there().map_err(|problem| vec![problem])?;
    let Some(consent) = consent(arguments, &plan, &asked, &typed, &stop)? else {
        plan.screen.say("nothing was agreed to, and nothing was done");
        return Ok(Ending::Stopped);
    };
    let at_terminal = std::io::stdin().is_terminal();
    // Somebody else answers: nothing that is typed here is an answer.
    let all_typed = distant.is_some();
    let (operator, viewer): (Box<dyn Operator + Send>, Option<Box<dyn Viewer + Send>>) = match distant {
        Some(distant) => (Box::new(distant.clone()), Some(Box::new(distant))),
        None => (Box::new(Person::new(typed.clone(), at_terminal, stop.clone())), None),
    };
    let voices =
        Voices { typed: Some(typed), signalled: Some(marks), all_typed, at_terminal, ..Voices::default() };
    let wishes = StopOnly::new(stop.clone(), plan.screen.clone());
    let operator = Box::new(Accompanied::new(operator, voices, Box::new(wishes)));
    let parts = RealParts { port, operator, viewer, stop, consent };
    let ended = real(&plan, parts)?;
    print(&ended, &plan.screen);
    Ok(ended.ending)
}

fn prepare(arguments: &Arguments) -> Result<Plan, Vec<Problem>> {
    let limits = Limits::default();
    let mut problems = Vec::new();
    if let Some(folder) = arguments.scripts.as_deref().filter(|folder| !folder.is_dir()) {
        let seen = format!("there is no folder '{}'", folder.display());
        problems.push(argument("--scripts", seen, "name the folder with your procedures"));
    }
    let mut tags = tags(&arguments.tags, &mut problems);
    let about = arguments.job.about(&mut problems);
    let mut keep = |result: Result<_, Vec<Problem>>| result.map_err(|more| problems.extend(more)).ok();
    let procedure = keep(load::procedure(&arguments.procedure, arguments.scripts.as_deref(), &limits));
    let car = load::car_named(&arguments.car).map_err(|more| problems.extend(more)).ok();
    let followed = arguments.follows.as_deref().map(Followed::read).transpose();
    let followed = followed.map_err(|problem| problems.push(problem)).ok().flatten();
    if let (Some(followed), Some(car)) = (&followed, &car) {
        problems.extend(followed.tag(&car.description.name, &mut tags).err());
    }
    let station = StationId::new(&arguments.station).map_err(|error| {
        problems.push(argument("--station", error.to_string(), "give it a plain name"));
    });
    let (Some(procedure), Some(car), Ok(station), true) = (procedure, car, station, problems.is_empty())
    else {
        return Err(problems);
    };
    let style = if arguments.json { Style::Json } else { Style::Plain };
    Ok(Plan {
        session: session_name(&procedure.name),
        procedure: Arc::new(procedure),
        car: Arc::new(car),
        station,
        tags,
        about,
        earlier: followed.map(|followed| followed.notes).unwrap_or_default(),
        archive: arguments.archive.clone(),
        limits,
        patience: Patience {
            link: Span::from_secs(i64::from(arguments.link_patience)),
            ..Patience::default()
        },
        script_patience: SCRIPT_PATIENCE,
        screen: Screen::terminal(style),
    })
}

/// The session's name: when it began, in UTC, and the procedure.
fn session_name(procedure: &str) -> String {
    let now = record::utc_text(Clock::real().anchor().utc_nanos).replace(':', "").to_lowercase();
    let name: String = procedure.chars().take(30).collect();
    format!("{now}-{name}")
}

/// What a person agreed to, as the event to record. `Ok(None)` when they did not; for a procedure that takes
/// nothing over nobody is asked.
#[expect(clippy::option_option, reason = "agreed to nothing, and nothing to agree to, are two answers")]
fn consent(
    arguments: &Arguments,
    plan: &Plan,
    asked: &Asked,
    typed: &Typed,
    stop: &Stop,
) -> Result<Option<Option<Event>>, Vec<Problem>> {
    if !arguments.consent.is_empty() {
        asked.named(&arguments.consent)?;
        // Only the question is answered beforehand: what is taken over, and the exhaust gas, are told all the same.
        super::complain(&asked.words(true));
        let how = "named beforehand".to_string();
        return Ok(Some(Some(Event::Consented { outputs: asked.outputs.clone(), how })));
    }
    if asked.outputs.is_empty() {
        return Ok(Some(None));
    }
    let consents = Consents::open(&plan.archive).map_err(|problem| vec![problem])?;
    // The question is for a person whatever the rest is written for.
    super::complain(&asked.words(asked.is_known(&consents)));
    super::complain("Type yes to go on, anything else to leave it:");
    // Nobody has agreed to what they had not read yet.
    if std::io::stdin().is_terminal() {
        typed.forget();
    }
    let line = clock::block_on(async {
        tokio::select! {
            biased;
            () = stop.raised() => None,
            () = poll_fn(|context| typed.poll_ready(context)) => typed.take(),
        }
    });
    let line = line.map_err(|error| vec![argument("standard input", error.to_string(), "free memory")])?;
    if !line.as_deref().is_some_and(Asked::agrees) {
        return Ok(None);
    }
    if let Err(problem) = asked.remember(&consents) {
        super::complain(&format!("problem: {problem}"));
    }
    Ok(Some(Some(Event::Consented { outputs: asked.outputs.clone(), how: "typed".into() })))
}
