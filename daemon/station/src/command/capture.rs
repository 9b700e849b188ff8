//! `holdgate capture`.

use std::collections::BTreeMap;
use std::io::BufReader;
use std::path::PathBuf;
use std::sync::Arc;

use car::Description;
use clap::Args;
use clock::Clock;
use link::Patience;
use model::{ChannelId, Ending, Problem, Span, StationId};

#[cfg(feature = "bench-car")]
use super::bench::CarArguments;
use super::job::JobArguments;
#[cfg(feature = "bench-car")]
use super::job::SayArguments;
use super::refuse;
#[cfg(feature = "bench-car")]
use super::rehearse::Sent;
use super::session::{argument, tags};
use super::signals::listened;
use crate::amount;
use crate::capture::{self, CaptureParts, CapturePlan, FOR_EVER, RollingPlan};
use crate::load;
use crate::port::Port;
use crate::sides::screen::{Screen, Style};
use crate::sides::typed::Typed;

#[derive(Debug, Args)]
pub(super) struct Arguments {
    /// The car's description: the path of a .toml file, or a shipped name
    #[arg(long, value_name = "DESCRIPTION", required_unless_present = "rehearse")]
    car: Option<String>,
    /// The serial port, see `holdgate ports`
    #[arg(long, value_name = "PATH", required_unless_present = "rehearse", conflicts_with = "rehearse")]
    port: Option<String>,
    /// A channel to record, with the readings a second that you want of it where that is not what its description says;
    /// may be given again. Without any channel or group all are recorded
    #[arg(long = "channel", value_name = "CHANNEL[=HZ]", help_heading = "What is recorded")]
    channels: Vec<String>,
    /// All channels of one request of the description, which are read together anyway; may be given again
    #[arg(long = "group", value_name = "REQUEST[=HZ]", help_heading = "What is recorded")]
    groups: Vec<String>,
    /// A tag of every session; may be given again
    #[arg(long = "tag", value_name = "KEY=VALUE", help_heading = "What is said of it")]
    tags: Vec<String>,
    #[command(flatten, next_help_heading = "What is said of it")]
    job: JobArguments,
    /// Keeps nothing before this is so: "running above 0.5 for 5 s"
    #[arg(long, value_name = "GATE", help_heading = "When it begins and ends")]
    start_when: Option<String>,
    /// Ends when this is so: "coolant above 90 Cel for 10 s"
    #[arg(long, value_name = "GATE", help_heading = "When it begins and ends")]
    stop_when: Option<String>,
    /// Ends after this time, counted from its beginning: 10min
    #[arg(long = "for", value_name = "TIME", help_heading = "When it begins and ends")]
    length: Option<String>,
    /// Begins a new session after this time: 30min
    #[arg(long, value_name = "TIME", conflicts_with = "rolling", help_heading = "When it begins and ends")]
    split_every: Option<String>,
    /// Begins a new session when the journal of the last has this size: 50MB. Closed tables are smaller than that
    #[arg(long, value_name = "SIZE", conflicts_with = "rolling", help_heading = "When it begins and ends")]
    split_size: Option<String>,
    /// Always on: everything goes to rolling segments, and minutes around a mark or a trigger are kept
    #[arg(long, help_heading = "Always on")]
    rolling: bool,
    /// The segments may take this much together
    #[arg(
        long,
        value_name = "SIZE",
        default_value = "200MB",
        requires = "rolling",
        help_heading = "Always on"
    )]
    rolling_size: String,
    /// And be this old
    #[arg(long, value_name = "TIME", default_value = "1h", requires = "rolling", help_heading = "Always on")]
    rolling_age: String,
    /// A trigger beside your mark: it keeps each time it becomes so
    #[arg(long, value_name = "GATE", requires = "rolling", help_heading = "Always on")]
    keep_when: Option<String>,
    /// Keeps also where the trigger is so already when it is armed; without this it must become untrue first
    #[arg(long, requires = "keep_when", help_heading = "Always on")]
    keep_if_already: bool,
    /// How much before a trigger is kept
    #[arg(
        long,
        value_name = "TIME",
        default_value = "5min",
        requires = "rolling",
        help_heading = "Always on"
    )]
    before: String,
    /// How much after it
    #[arg(
        long,
        value_name = "TIME",
        default_value = "2min",
        requires = "rolling",
        help_heading = "Always on"
    )]
    after: String,
    /// Seconds for which a link may stay down before it ends; without this it is waited for as long as it takes
    #[arg(long, value_name = "SECONDS", value_parser = clap::value_parser!(u32).range(1..))]
    link_patience: Option<u32>,
    /// The name of this place; a restart under the same name releases first what a crash left held
    #[arg(long, default_value = "garage", value_name = "NAME")]
    station: String,
    /// The folder of recorded sessions
    #[arg(long, default_value = "archive", value_name = "FOLDER")]
    archive: PathBuf,
    /// Write every event as a line of JSON, and the end as the last line
    #[arg(long)]
    json: bool,
    /// Records the bench car, faster than real time; --car then stands for its own description
    #[cfg(feature = "bench-car")]
    #[arg(long, help_heading = "Rehearsal")]
    rehearse: bool,
    /// Without the bench car nothing can be rehearsed
    #[cfg(not(feature = "bench-car"))]
    #[arg(long, hide = true)]
    rehearse: bool,
    #[cfg(feature = "bench-car")]
    #[command(flatten, next_help_heading = "Rehearsal")]
    bench: CarArguments,
    /// Write what the bench car was asked and what it sent as CSV, from its own log, to check the record against
    #[cfg(feature = "bench-car")]
    #[arg(long, value_name = "FILE", requires = "rehearse", help_heading = "Rehearsal")]
    sent: Option<PathBuf>,
    #[cfg(feature = "bench-car")]
    #[command(flatten, next_help_heading = "Rehearsal")]
    say: SayArguments,
}

/// The smallest part of a series, in bytes: some times what a session says of itself (our choice, no published source).
const SMALLEST_PART: u64 = 10_000;

pub(super) fn run(arguments: &Arguments) -> Ending {
    let ended = if arguments.rehearse { rehearse(arguments) } else { on_the_wire(arguments) };
    match ended {
        Ok(ending) => ending,
        Err(problems) => refuse(&problems),
    }
}

fn on_the_wire(arguments: &Arguments) -> Result<Ending, Vec<Problem>> {
    let mut problems = Vec::new();
    let car = load::car_named(arguments.car.as_deref().unwrap_or_default());
    let car = car.map_err(|more| problems.extend(more)).ok();
    let now = record::utc_text(Clock::real().anchor().utc_nanos).replace(':', "").to_lowercase();
    let plan = Arc::new(plan(arguments, car, format!("{now}-capture"), problems)?);
    let listening = listened().map_err(|problem| vec![problem])?;
    let port = Port::at(arguments.port.as_deref().unwrap_or_default());
    port.is_there().map_err(|problem| vec![problem])?;
    let typed = Typed::read(BufReader::new(std::io::stdin()));
    let typed = typed.map_err(|error| vec![argument("standard input", error.to_string(), "free memory")])?;
    plan.screen.say(crate::sides::said::SAYINGS);
    let parts =
        CaptureParts { port, stop: listening.stop, typed: Some(typed), signalled: Some(listening.marks) };
    let ended = capture::real(&plan, parts)?;
    capture::print(&ended, &plan.screen);
    Ok(ended.ending)
}

#[cfg(feature = "bench-car")]
fn rehearse(arguments: &Arguments) -> Result<Ending, Vec<Problem>> {
    let mut problems = Vec::new();
    let config = arguments.bench.config().map_err(|more| problems.extend(more)).ok();
    let (variant, mut config) = config.unwrap_or_default();
    config.keep_log |= arguments.sent.is_some();
    let (file, text) = variant.description();
    let car = match &arguments.car {
        Some(name) => load::car_named(name),
        None => load::described(file, text),
    };
    let car = car.map_err(|more| problems.extend(more)).ok();
    let world = bench_car::World::new(config).map_err(|error| {
        problems.push(argument("bench car", error.to_string(), "see holdgate capture --help"));
    });
    let name = format!("rehearsal-capture-seed-{}", arguments.bench.seed);
    let plan = Arc::new(plan(arguments, car, name, problems)?);
    // Where the world is missing a problem was told, and there is no plan.
    let Ok(world) = world else { return Err(Vec::new()) };
    let hands = crate::bench::share_hands(bench_car::hands::Hands::new(arguments.bench.seed));
    let stop = listened().map_err(|problem| vec![problem])?.stop;
    let world = crate::bench::share(world);
    let sent = arguments.sent.as_deref().map(Sent::create).transpose().map_err(|problem| vec![problem])?;
    let ended = capture::rehearse(&plan, world.clone(), hands, stop)?;
    sent.map(|sent| sent.write(&world)).transpose().map_err(|problem| vec![problem])?;
    capture::print(&ended, &plan.screen);
    Ok(ended.ending)
}

#[cfg(not(feature = "bench-car"))]
fn rehearse(_: &Arguments) -> Result<Ending, Vec<Problem>> {
    let seen = "this program was built without the bench car".to_string();
    Err(vec![argument("--rehearse", seen, "build it with its default features")])
}

/// Reads everything; every mistake at once.
fn plan(
    arguments: &Arguments,
    car: Option<load::Car>,
    name: String,
    mut problems: Vec<Problem>,
) -> Result<CapturePlan, Vec<Problem>> {
    let tags = tags(&arguments.tags, &mut problems);
    #[cfg_attr(
        not(feature = "bench-car"),
        expect(unused_mut, reason = "only a rehearsal says anything beforehand")
    )]
    let mut about = arguments.job.about(&mut problems);
    #[cfg(feature = "bench-car")]
    {
        about.foretold = arguments.say.foretold(&mut problems);
        if !arguments.rehearse && !about.foretold.is_empty() {
            let seen = "it is said in a rehearsal only".to_string();
            problems.push(argument("--say", seen, "type it while the capture runs"));
        }
    }
    let station = StationId::new(&arguments.station).map_err(|error| {
        problems.push(argument("--station", error.to_string(), "give it a plain name"));
    });
    let time = |name: &str, text: Option<&String>, problems: &mut Vec<Problem>| {
        let read = text.map(|text| amount::time(text)).transpose();
        read.map_err(|seen| problems.push(argument(name, seen, "write for example 10min or 30s")))
            .ok()
            .flatten()
    };
    let size = |name: &str, text: Option<&String>, problems: &mut Vec<Problem>| {
        let read = text.map(|text| amount::size(text)).transpose();
        read.map_err(|seen| problems.push(argument(name, seen, "write for example 50MB"))).ok().flatten()
    };
    let length = time("--for", arguments.length.as_ref(), &mut problems);
    let split_every = time("--split-every", arguments.split_every.as_ref(), &mut problems);
    let split_size = size("--split-size", arguments.split_size.as_ref(), &mut problems);
    if split_size.is_some_and(|size| size < SMALLEST_PART) {
        let seen = format!("parts of less than {SMALLEST_PART} bytes hold little but their own heads");
        problems.push(argument("--split-size", seen, "write for example 50MB"));
    }
    let rolling_size = size("--rolling-size", Some(&arguments.rolling_size), &mut problems);
    let age = time("--rolling-age", Some(&arguments.rolling_age), &mut problems);
    let before = time("--before", Some(&arguments.before), &mut problems);
    let after = time("--after", Some(&arguments.after), &mut problems);
    if let (true, Some(age), Some(before)) = (arguments.rolling, age, before)
        && age < before
    {
        let seen = format!("segments of {age} cannot give the {before} of --before");
        problems.push(argument("--rolling-age", seen, "give it at least as long as --before"));
    }
    if arguments.rolling && about.wire_trace {
        let seen = "what is kept out of a rolling record has no exchanges in it".to_string();
        problems.push(argument(
            "--wire-trace",
            seen,
            "capture without --rolling where the wire is to be traced",
        ));
    }
    let Some(car) = car else { return Err(problems) };
    let description = &car.description;
    let gate = |name: &str, text: Option<&String>, problems: &mut Vec<Problem>| {
        let text = text?;
        let read = capture::gate(name, text, description);
        let gate = read.map_err(|problem| problems.push(problem)).ok()?;
        Some(capture::NamedGate { words: text.trim().to_string(), gate })
    };
    let start_when = gate("--start-when", arguments.start_when.as_ref(), &mut problems);
    let stop_when = gate("--stop-when", arguments.stop_when.as_ref(), &mut problems);
    let keep_when = gate("--keep-when", arguments.keep_when.as_ref(), &mut problems);
    let channels = channels(arguments, description, &mut problems);
    let (Ok(station), true) = (station, problems.is_empty()) else { return Err(problems) };
    let rolling = rolling_size.zip(age).zip(before.zip(after)).filter(|_| arguments.rolling);
    let rolling = rolling.map(|((size, age), (before, after))| {
        let keep_if_already = arguments.keep_if_already;
        RollingPlan { size, age, before, after, keep_when, keep_if_already }
    });
    let patience = arguments.link_patience.map_or(FOR_EVER, |seconds| Span::from_secs(i64::from(seconds)));
    let style = if arguments.json { Style::Json } else { Style::Plain };
    Ok(CapturePlan {
        car: Arc::new(car),
        station,
        name,
        tags,
        about,
        archive: arguments.archive.clone(),
        channels,
        start_when,
        stop_when,
        length,
        split_every,
        split_size,
        rolling,
        patience: Patience { link: patience, ..Patience::default() },
        screen: Screen::terminal(style),
    })
}

/// The channels to record, with the wanted time between two readings; all where none is named.
fn channels(
    arguments: &Arguments,
    description: &Description,
    problems: &mut Vec<Problem>,
) -> BTreeMap<ChannelId, Span> {
    let mut wanted = BTreeMap::new();
    for text in &arguments.groups {
        let (name, rate) = rate("--group", text, problems);
        match description.requests.iter().find(|request| request.name == name) {
            Some(request) => {
                for channel in request.channels.iter().filter_map(|i| description.channels.get(*i)) {
                    wanted.insert(channel.id.clone(), rate.unwrap_or(channel.period));
                }
            }
            None => {
                let names = || description.requests.iter().map(|request| request.name.as_str());
                let cure = match model::nearest(name, names()) {
                    Some(near) => format!("did you mean '{near}'?"),
                    None => format!("name one of {}", names().collect::<Vec<_>>().join(", ")),
                };
                problems.push(argument("--group", format!("the description has no request '{name}'"), &cure));
            }
        }
    }
    for text in &arguments.channels {
        let (name, rate) = rate("--channel", text, problems);
        match ChannelId::new(name).ok().and_then(|id| description.channel(&id)) {
            Some(channel) => {
                wanted.insert(channel.id.clone(), rate.unwrap_or(channel.period));
            }
            None => {
                let cure = match description.nearest_channel(name) {
                    Some(near) => format!("did you mean '{near}'?"),
                    None => "see the car's channels with holdgate car".into(),
                };
                problems.push(argument("--channel", format!("the car has no channel '{name}'"), &cure));
            }
        }
    }
    if arguments.groups.is_empty() && arguments.channels.is_empty() {
        return description.channels.iter().map(|channel| (channel.id.clone(), channel.period)).collect();
    }
    wanted
}

/// A name with a rate behind it.
fn rate<'a>(option: &str, text: &'a str, problems: &mut Vec<Problem>) -> (&'a str, Option<Span>) {
    let Some((name, rate)) = text.split_once('=') else { return (text.trim(), None) };
    let hertz = amount::leading_number(rate.trim()).filter(|(_, rest)| matches!(rest.trim(), "" | "Hz"));
    // A rate that no wire has would only be stretched.
    match hertz {
        Some((hertz, _)) if (1e-4..=1e4).contains(&hertz) => {
            (name.trim(), Some(Span::from_secs_f64(1.0 / hertz)))
        }
        _ => {
            let seen = format!("'{rate}' is no rate between 0.0001 and 10000 readings a second");
            problems.push(argument(option, seen, "write for example rpm=10"));
            (name.trim(), None)
        }
    }
}
