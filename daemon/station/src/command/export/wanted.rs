//! From the arguments to what is wanted; every mistake at once.

use model::{Problem, Span};
use record::{CsvForm, Digits, Every, ExportOptions, Fill, Form, Shape, TimeColumn, When, utc_of};

use super::{Arguments, DecimalArgument, FillArgument, FormArgument, TimeArgument};
use crate::command::session::argument;
use crate::command::sessions::time_of;

/// More decimal places than a number has.
const MOST_DIGITS: u8 = 17;

pub(super) fn options(arguments: &Arguments) -> Result<(ExportOptions, Form), Vec<Problem>> {
    let mut problems = Vec::new();
    let shape = if arguments.long { Shape::Long } else { wide(arguments, &mut problems) };
    let mut units = Vec::new();
    for text in &arguments.units {
        match text.split_once('=') {
            Some((channel, unit)) => units.push((channel.trim().to_string(), unit.trim().to_string())),
            None => problems.push(not("--units", text, "CHANNEL=UCUM", "write for example coolant=[degF]")),
        }
    }
    let options = ExportOptions {
        channels: arguments.channels.iter().map(|name| name.trim().to_string()).collect(),
        shape,
        step: arguments.step.clone(),
        from: arguments.from.as_deref().and_then(|text| when("--from", text, &mut problems)),
        to: arguments.to.as_deref().and_then(|text| when("--to", text, &mut problems)),
        units,
        time: match arguments.time {
            TimeArgument::Seconds => TimeColumn::Seconds,
            TimeArgument::Utc => TimeColumn::Utc,
        },
    };
    let form = form(arguments, &mut problems);
    if problems.is_empty() { Ok((options, form)) } else { Err(problems) }
}

fn wide(arguments: &Arguments, problems: &mut Vec<Problem>) -> Shape {
    let every = match arguments.every.strip_prefix("sample-of=") {
        Some(channel) => Every::SampleOf(channel.to_string()),
        None => Every::Time(time_of(&arguments.every).unwrap_or_else(|| {
            let cure = "write for example 100ms, 1s or sample-of=rpm";
            problems.push(not("--every", &arguments.every, "a time", cure));
            Span::from_secs(1)
        })),
    };
    let max_age = time_of(&arguments.max_age).unwrap_or_else(|| {
        problems.push(not("--max-age", &arguments.max_age, "a time", "write for example 500ms or 10s"));
        Span::from_secs(1)
    });
    let fill = match arguments.fill {
        FillArgument::Last => Fill::Last,
        FillArgument::Linear => Fill::Linear,
        FillArgument::None => Fill::None,
    };
    Shape::Wide { every, fill, max_age }
}

/// Seconds, or a date and time.
fn when(name: &str, text: &str, problems: &mut Vec<Problem>) -> Option<When> {
    let read = match text.trim().parse::<f64>() {
        Ok(seconds) if seconds.is_finite() => Some(When::Seconds(seconds)),
        _ => utc_of(text).map(|(utc, _)| When::Utc(utc)),
    };
    if read.is_none() {
        let cure = "write seconds since the start, such as 12.5, or 2026-11-25T08:00:12Z";
        problems.push(not(name, text, "a time", cure));
    }
    read
}

fn form(arguments: &Arguments, problems: &mut Vec<Problem>) -> Form {
    let named = arguments.output.extension().is_some_and(|end| end.eq_ignore_ascii_case("parquet"));
    let format = arguments.format.unwrap_or(if named { FormArgument::Parquet } else { FormArgument::Csv });
    let decimal_comma = arguments.decimal == DecimalArgument::Comma;
    if format == FormArgument::Parquet {
        let csv_only = [
            ("--decimal", decimal_comma),
            ("--separator", arguments.separator.is_some()),
            ("--digits", arguments.digits.is_some()),
        ];
        for (name, _) in csv_only.iter().filter(|(_, given)| *given) {
            let seen = "it is for CSV; Parquet holds numbers".to_string();
            problems.push(argument(name, seen, "leave it out, or add --format csv"));
        }
        return Form::Parquet;
    }
    let separator = match arguments.separator.as_deref() {
        None => Some(if decimal_comma { b';' } else { b',' }),
        Some("tab" | "\\t" | "\t") => Some(b'\t'),
        Some(text) => match text.as_bytes() {
            [one] if one.is_ascii_punctuation() && !b"\"'.-+_[]".contains(one) => Some(*one),
            _ => None,
        },
    };
    let separator = match separator {
        Some(b',') if decimal_comma => {
            let seen = "a comma cannot stand before decimals and between cells".to_string();
            problems.push(argument("--separator", seen, "use ';' or tab"));
            b','
        }
        Some(separator) => separator,
        None => {
            let text = arguments.separator.as_deref().unwrap_or_default();
            problems.push(not("--separator", text, "a separator", "use one of , ; | : or tab"));
            b','
        }
    };
    let digits = match arguments.digits.as_deref() {
        None => Digits::Resolution,
        Some("all") => Digits::All,
        Some(text) => match text.parse::<u8>() {
            Ok(places) if places <= MOST_DIGITS => Digits::Places(places),
            _ => {
                problems.push(not("--digits", text, "a number of digits", "write 0 to 17, or all"));
                Digits::All
            }
        },
    };
    Form::Csv(CsvForm { separator, decimal_comma, digits })
}

fn not(name: &str, text: &str, what: &str, cure: &str) -> Problem {
    let shown: String = text.chars().take(60).collect();
    argument(name, format!("'{}' is not {what}", shown.escape_debug()), cure)
}

#[cfg(test)]
mod tests {
    use clap::Parser;

    use super::*;

    #[derive(Parser)]
    struct Line {
        #[command(flatten)]
        arguments: Arguments,
    }

    fn parsed(words: &str) -> Result<(ExportOptions, Form), Vec<Problem>> {
        let line = Line::try_parse_from(["export", "last"].into_iter().chain(words.split_whitespace()));
        options(&line.unwrap().arguments)
    }

    #[test]
    fn arguments_become_what_is_wanted() {
        let (options, form) = parsed("").unwrap();
        let every = Every::Time(Span::from_millis(100));
        assert_eq!(options.shape, Shape::Wide { every, fill: Fill::Last, max_age: Span::from_secs(10) });
        assert_eq!(form, Form::Csv(CsvForm::default()));
        let words = "--every sample-of=rpm --fill linear --max-age 500ms --channels rpm,coolant --from -1.5 \
                     --to 2026-11-25T08:00Z --units coolant=[degF] --time utc --decimal comma --digits all";
        let (options, form) = parsed(words).unwrap();
        let every = Every::SampleOf("rpm".into());
        assert_eq!(options.shape, Shape::Wide { every, fill: Fill::Linear, max_age: Span::from_millis(500) });
        assert_eq!(options.channels, ["rpm", "coolant"]);
        assert_eq!(options.from, Some(When::Seconds(-1.5)));
        assert_eq!(options.to, Some(When::Utc(1_795_593_600_000_000_000)));
        assert_eq!(options.units, [("coolant".to_string(), "[degF]".to_string())]);
        let wanted = CsvForm { separator: b';', decimal_comma: true, digits: Digits::All };
        assert_eq!(form, Form::Csv(wanted));
        assert_eq!(parsed("--output x.parquet").unwrap().1, Form::Parquet);
        assert_eq!(parsed("--output x.PARQUET --format csv --separator tab").unwrap().1, {
            Form::Csv(CsvForm { separator: b'\t', ..CsvForm::default() })
        });
        assert_eq!(parsed("--long").unwrap().0.shape, Shape::Long);
    }

    #[test]
    fn every_mistake_is_told_at_once() {
        let words =
            "--every soon --max-age 5V --from now --to later --units coolant --separator ab --digits 99";
        let told = |words| parsed(words).unwrap_err().iter().map(ToString::to_string).collect::<Vec<_>>();
        let first = told(words);
        let second = told("--decimal comma --separator ,");
        let third = told("--format parquet --decimal comma --separator ; --digits 3");
        insta::assert_snapshot!([first, second, third].concat().join("\n"));
    }
}
