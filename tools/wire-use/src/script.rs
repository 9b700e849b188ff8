//! What a script would do while the use of the wire is measured.

use clock::Caller;
use model::{ChannelId, Command, OutputId, Quantity, Reply, Span, Unit};

use crate::case::Case;

/// How long the first reading may take, wake-up and session included.
const FIRST: Span = Span::from_secs(20);
/// The period asked for: far below what any wire can do, so that it is the wire that limits.
const PERIOD: Span = Span::from_micros(100);
/// The idle valve while it is held, in steps: more than the engine needs, so that it runs on.
const HELD_AT: f64 = 40.0;
/// The name of the pause in which is measured.
pub(crate) const MARK: &str = "measuring";

/// What is asked of the wire.
#[derive(Debug, Clone)]
pub(crate) struct Task {
    channels: Vec<ChannelId>,
    held: bool,
    settling: Span,
    time: Span,
}

impl Task {
    /// A case, measured for a time after another in which the schedule learns what an exchange costs.
    pub(crate) fn of(case: &Case, settling: Span, time: Span) -> Self {
        let id = |name: &&str| ChannelId::new(name).expect("the cases name channels by their ids");
        Self { channels: case.channels.iter().map(id).collect(), held: case.held, settling, time }
    }
}

/// What a script would do: has the wire filled, holds where the case wants it, lets the time pass.
pub(crate) fn ask(caller: &Caller<Command, Reply>, task: &Task) -> Result<(), String> {
    let Task { channels, held, settling, time } = task;
    let ask = |command: Command| match caller.call(command) {
        Ok(Reply::Refused { problem }) => Err(problem.to_string()),
        Ok(Reply::Over { why, .. }) => Err(why),
        Ok(reply) => Ok(reply),
        Err(gone) => Err(gone.to_string()),
    };
    ask(Command::Poll { channels: channels.clone(), period: PERIOD })?;
    for channel in channels.iter().cloned() {
        if let Reply::Latest { sample: None } = ask(Command::Latest { channel, within: FIRST })? {
            return Err(format!("a first reading did not come within {FIRST}"));
        }
    }
    let output = OutputId::new("idle_valve").expect("a plain word is an id");
    if *held {
        let value = Quantity::new(HELD_AT, Unit::new("{step}").expect("a UCUM code"));
        let at_most = *settling + *time + FIRST;
        let drop_if = Vec::new();
        ask(Command::Engage { output: output.clone(), value, at_most, drop_if, goes_on: false })?;
    }
    ask(Command::Pause { words: "settling".into(), time: *settling })?;
    ask(Command::Pause { words: MARK.into(), time: *time })?;
    if *held {
        ask(Command::Release { output })?;
    }
    Ok(())
}
