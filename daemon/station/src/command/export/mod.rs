//! `holdgate export`.

mod output;
mod wanted;

use std::path::{Path, PathBuf};

use clap::{Args, ValueEnum};
use model::{Ending, Problem};
use record::{Export, ExportOptions, Form, Notes, TimeColumn, When, read_notes, read_session};

use self::output::Output;
use super::sessions::select::ArchiveArgument;
use super::{complain, refuse};
use crate::sides::screen::{Screen, Style};

#[derive(Debug, Args)]
pub(super) struct Arguments {
    /// The session: its id, a beginning of it, `last`, or its folder
    session: String,
    /// The file to write; - is standard output
    #[arg(long, short, default_value = "-", value_name = "FILE")]
    output: PathBuf,
    /// Write over a file that is there
    #[arg(long)]
    force: bool,
    /// The form of the file; by its name where not given, and CSV where that does not tell
    #[arg(long, value_name = "FORM")]
    format: Option<FormArgument>,
    /// The time between two rows, such as 100ms, or sample-of=CHANNEL for a row at each reading of that channel
    #[arg(long, default_value = "100ms", value_name = "TIME")]
    every: String,
    /// Which value a channel has where it was not read
    #[arg(long, default_value = "last", value_name = "RULE")]
    fill: FillArgument,
    /// How old a reading may be (last), how far apart two (linear), how far away one (none)
    #[arg(long, default_value = "10s", value_name = "TIME")]
    max_age: String,
    /// One reading or gap a row, as recorded
    #[arg(long, conflicts_with_all = ["every", "fill", "max_age"])]
    long: bool,
    /// Only these channels, in this order
    #[arg(long, value_name = "CHANNEL,…", value_delimiter = ',')]
    channels: Vec<String>,
    /// Only within this step of the procedure
    #[arg(long, value_name = "NAME")]
    step: Option<String>,
    /// From here: seconds since the session's first record, or a date and time in UTC
    #[arg(long, value_name = "TIME", allow_hyphen_values = true)]
    from: Option<String>,
    /// To here, which is included
    #[arg(long, value_name = "TIME", allow_hyphen_values = true)]
    to: Option<String>,
    /// A channel in another unit, by its UCUM code: coolant=[degF]; may be given again
    #[arg(long = "units", value_name = "CHANNEL=UCUM")]
    units: Vec<String>,
    /// How the time of a row is told
    #[arg(long, default_value = "seconds", value_name = "HOW")]
    time: TimeArgument,
    /// What stands before decimals in CSV
    #[arg(long, default_value = "point", value_name = "MARK")]
    decimal: DecimalArgument,
    /// What stands between two cells in CSV: one character, or tab; a comma where not given, and a semicolon with
    /// --decimal comma
    #[arg(long, value_name = "CHARACTER")]
    separator: Option<String>,
    /// Decimal places in CSV, or all; as many as the channel's resolution carries where not given
    #[arg(long, value_name = "N")]
    digits: Option<String>,
    #[command(flatten)]
    archive: ArchiveArgument,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
enum FormArgument {
    /// Comma-separated values (RFC 4180)
    Csv,
    /// Parquet
    Parquet,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
enum FillArgument {
    /// The newest good reading, until it is too old or a gap comes
    Last,
    /// On the straight line between two good readings, never across a gap
    Linear,
    /// The good reading nearest to the row, where it is nearer than to any other row
    None,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
enum TimeArgument {
    /// Seconds since the session's first record
    Seconds,
    /// UTC, with the session's corrected date
    Utc,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
enum DecimalArgument {
    /// 0.5
    Point,
    /// 0,5
    Comma,
}

pub(super) fn run(arguments: &Arguments) -> Ending {
    try_run(arguments).unwrap_or_else(|problems| refuse(&problems))
}

fn try_run(arguments: &Arguments) -> Result<Ending, Vec<Problem>> {
    let only = |problem| vec![problem];
    let (options, form) = wanted::options(arguments)?;
    let folder = arguments.archive.closed_to_read(&arguments.session).map_err(only)?;
    let session = read_session(&folder).map_err(only)?;
    let notes = notes(&folder, &options).map_err(only)?;
    let export = Export::plan(&session, &notes, &options)?;
    let output = Output::open(&arguments.output, arguments.force, form == Form::Parquet).map_err(only)?;
    let exported = output.write(|out| export.write(&form, out)).map_err(only)?;
    let Some(exported) = exported else {
        // Whoever read it has seen enough.
        return Ok(Ending::Passed);
    };
    for (channel, count) in &exported.unnamed {
        complain(&format!(
            "channel '{channel}' is not in the session's description: {count} rows of it are only in --long"
        ));
    }
    if arguments.output != Path::new("-") {
        let screen = Screen::terminal(Style::Plain);
        screen.line(&format!("{} rows in {}", exported.rows, arguments.output.display()));
    }
    Ok(Ending::Passed)
}

/// The notes, for the corrected date. Where that is not asked for, broken ones are told and stand in nobody's way.
fn notes(folder: &Path, options: &ExportOptions) -> Result<Notes, Problem> {
    let utc = |when: &Option<When>| matches!(when, Some(When::Utc(_)));
    let asked = options.time == TimeColumn::Utc || utc(&options.from) || utc(&options.to);
    match read_notes(folder) {
        Err(problem) if !asked => {
            complain(&format!("problem: {problem}"));
            Ok(Notes::default())
        }
        other => other,
    }
}
