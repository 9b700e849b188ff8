//! `holdgate watch`.

use std::io::IsTerminal;
use std::path::PathBuf;
use std::sync::Arc;
use std::time::Duration;

use car::Description;
use clap::Args;
use clock::{Stop, handoff, spawn_real};
use link::{Driver, DriverParts, Patience};
use model::{
    ChannelId, Command, Condition, Demand, Ending, Gate, Problem, ProblemKind, Quantity, SessionId, Span,
    StationId, Watch,
};
use record::HoldLedger;

use super::refuse;
use super::session::argument;
use super::signals::interrupted;
use crate::load;
use crate::port::Port;
use crate::sides::ledger::{self, DiskLedger, left_behind};
use crate::sides::readout::{Layout, Readout};
use crate::sides::unrecorded::Unrecorded;

/// As good as for ever.
const FOR_EVER: Span = Span::from_secs(3_600 * 24 * 365);

#[derive(Debug, Args)]
pub(super) struct Arguments {
    /// The channels, the most important first
    #[arg(required = true, value_name = "CHANNEL")]
    channels: Vec<String>,
    /// The car's description: the path of a .toml file, or a shipped name
    #[arg(long, value_name = "DESCRIPTION")]
    car: String,
    /// The serial port, see `holdgate ports`
    #[arg(long, value_name = "PATH")]
    port: String,
    /// A window in the channel's own unit, for which the way to go is shown and the bell rings: CHANNEL=LOW..HIGH;
    /// may be given again
    #[arg(long = "window", value_name = "CHANNEL=LOW..HIGH", allow_hyphen_values = true)]
    windows: Vec<String>,
    /// Shows the first channel in digits to be read from two metres
    #[arg(long)]
    big: bool,
    /// Never rings the bell
    #[arg(long)]
    quiet: bool,
    /// The name of this place, as for `run`
    #[arg(long, default_value = "garage", value_name = "NAME")]
    station: String,
    /// The folder of recorded sessions, where the ledger of holds lies as well
    #[arg(long, default_value = "archive", value_name = "FOLDER")]
    archive: PathBuf,
}

/// Shows live values until Ctrl-C. Nothing is recorded and nothing is taken over; what a former run left held is
/// released first, as by every command that speaks on the wire.
pub(super) fn run(arguments: &Arguments) -> Ending {
    let watched = prepare(arguments);
    let shown = watched.and_then(|watched| {
        let stop = interrupted().map_err(|problem| vec![problem])?;
        show(arguments, watched, stop)
    });
    match shown {
        Ok(ending) => ending,
        Err(problems) => refuse(&problems),
    }
}

/// What is watched, checked.
struct Watched {
    car: load::Car,
    station: StationId,
    channels: Vec<ChannelId>,
    windows: Vec<Option<(f64, f64)>>,
}

fn prepare(arguments: &Arguments) -> Result<Watched, Vec<Problem>> {
    let mut problems = Vec::new();
    let car = load::car_named(&arguments.car)?;
    let mut channels = Vec::new();
    for name in &arguments.channels {
        match ChannelId::new(name).ok().filter(|id| car.description.channel(id).is_some()) {
            Some(id) => channels.push(id),
            None => problems.push(unknown("CHANNEL", name, &car.description)),
        }
    }
    let mut windows = vec![None; channels.len()];
    for text in &arguments.windows {
        match window(text) {
            Some((name, edges)) => match channels.iter().position(|id| id.as_str() == name) {
                Some(i) => windows[i] = Some(edges),
                None if ChannelId::new(name).is_ok_and(|id| car.description.channel(&id).is_some()) => {
                    let seen = format!("'{name}' has a window and is not watched");
                    problems.push(argument("--window", seen, &format!("name {name} among the channels too")));
                }
                None => problems.push(unknown("--window", name, &car.description)),
            },
            None => {
                let seen = format!("'{text}' is not CHANNEL=LOW..HIGH with two numbers, LOW below HIGH");
                problems.push(argument("--window", seen, "write for example --window throttle=0.45..0.55"));
            }
        }
    }
    let station = StationId::new(&arguments.station).map_err(|error| {
        problems.push(argument("--station", error.to_string(), "give it a plain name"));
    });
    match (station, problems.is_empty()) {
        (Ok(station), true) => Ok(Watched { car, station, channels, windows }),
        _ => Err(problems),
    }
}

fn unknown(argument_name: &str, name: &str, description: &Description) -> Problem {
    let cure = match description.nearest_channel(name) {
        Some(near) => format!("did you mean '{near}'?"),
        None => "see the car's channels with holdgate car".into(),
    };
    argument(argument_name, format!("the car has no channel '{name}'"), &cure)
}

fn window(text: &str) -> Option<(&str, (f64, f64))> {
    let (name, edges) = text.split_once('=')?;
    let (low, high) = edges.split_once("..")?;
    let (low, high): (f64, f64) = (low.trim().parse().ok()?, high.trim().parse().ok()?);
    (low < high && low.is_finite() && high.is_finite()).then_some((name.trim(), (low, high)))
}

/// A gate that is never over, so that the judge goes on talking of every channel.
fn gate(watched: &Watched) -> Gate {
    // Wider than anything that a channel can show.
    const WIDE: (f64, f64) = (-1e12, 1e12);
    let of = watched.channels.iter().zip(&watched.windows).filter_map(|(id, window)| {
        let unit = watched.car.description.channel(id)?.unit.clone();
        let (low, high) = window.unwrap_or(WIDE);
        let edge = |value| Quantity { value, unit: unit.clone() };
        let watch = Watch { channel: id.clone(), over: Span::from_secs(1), fresh: Span::from_secs(2) };
        Some(Condition::Within { watch, low: edge(low), high: edge(high), hysteresis: None })
    });
    Gate {
        condition: Condition::All { of: of.collect() },
        demand: Demand::Inside,
        dwell: FOR_EVER,
        dropout: Span::ZERO,
        limit: FOR_EVER,
    }
}

fn show(arguments: &Arguments, watched: Watched, stop: Stop) -> Result<Ending, Vec<Problem>> {
    let in_place = std::io::stdout().is_terminal();
    let layout = Layout { big: arguments.big, in_place, bell: !arguments.quiet };
    let has_window = watched.windows.iter().map(Option::is_some).collect();
    let started = Readout::start(std::io::stdout(), layout, has_window);
    let (readout, drawn) = started.map_err(|problem| vec![problem])?;
    let (port, archive) = (Port::at(&arguments.port), arguments.archive.clone());
    let thread = spawn_real("wire", move |clock| async move {
        os::priority::raise_this_thread();
        let mut open = port.opener();
        let transport = open(&clock)?;
        let description = Arc::new(watched.car.description.clone());
        let (ledger, outstanding) = ledger::name(&watched.station, &description.name)
            .and_then(|name| HoldLedger::open(&archive, &name))?;
        let (caller, callee) = handoff(&clock, Duration::from_secs(30));
        let left = left_behind(&outstanding, &description);
        let driver = Driver::new(DriverParts {
            clock: clock.clone(),
            transport,
            description,
            script: callee,
            stop,
            sink: Box::new(Unrecorded),
            ledger: Box::new(DiskLedger::beside(ledger, &left, clock)),
            operator: Box::new(Unrecorded),
            viewer: Box::new(readout),
            station: watched.station.clone(),
            session: SessionId::new("watch").expect("a plain word is an id"),
            left_behind: left,
            // Whoever watches waits for the link for as long as they like.
            patience: Patience { link: FOR_EVER, ..Patience::default() },
            reopen: Some(open),
        });
        let (gate, channels) = (gate(&watched), watched.channels.clone());
        // Ended by the driver: every command is answered when the run is over.
        let asking = std::thread::spawn(move || {
            let polled = caller.call(Command::Poll { channels, period: Span::from_millis(100) });
            if polled.is_ok() {
                caller.call(Command::Wait { gate }).ok();
            }
        });
        let end = driver.run().await;
        if asking.join().is_err() {
            tracing::error!("whoever asks for the channels panicked");
        }
        Ok::<_, Problem>(end)
    });
    let failed = |seen: &str| vec![argument("watch", seen.to_string(), "report this fault")];
    let ended = thread.map_err(|error| failed(&error.to_string()))?.join();
    let ended = ended.map_err(|_| failed("the driver's thread panicked"))?;
    let end = ended.map_err(|error| failed(&error.to_string()))?.map_err(|problem| vec![problem])?;
    if drawn.join().is_err() {
        tracing::error!("the readout's thread panicked");
    }
    // Ctrl-C is how a watch ends, and a link that was away for a while is no failure of it.
    if end.ending == Ending::Stopped && end.problems.iter().all(|problem| problem.kind == ProblemKind::Link) {
        return Ok(Ending::Passed);
    }
    if !end.problems.is_empty() {
        refuse(&end.problems);
    }
    Ok(end.ending)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_window_is_two_numbers_in_order() {
        assert_eq!(window("throttle=0.45..0.55"), Some(("throttle", (0.45, 0.55))));
        assert_eq!(window("x=-5..-1"), Some(("x", (-5.0, -1.0))));
        for bad in ["throttle", "throttle=1", "throttle=2..1", "throttle=a..b", "throttle=1..inf"] {
            assert_eq!(window(bad), None, "{bad}");
        }
    }
}
