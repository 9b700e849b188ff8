//! `holdgate car`.

use std::path::PathBuf;

use clap::Args;
use model::Ending;

use super::refuse;
use crate::load;
use crate::sides::screen::{Screen, Style};

#[derive(Debug, Args)]
pub(super) struct Arguments {
    /// The description; the bench car's where none is given
    description: Option<PathBuf>,
}

pub(super) fn run(arguments: &Arguments) -> Ending {
    let car = match load::car(arguments.description.as_deref()) {
        Ok(car) => car,
        Err(problems) => return refuse(&problems),
    };
    let screen = Screen::terminal(Style::Plain);
    let description = &car.description;
    screen.line(&format!("{} ({})", description.title, description.name));
    screen.line("channels:");
    for channel in &description.channels {
        let unit = channel.unit.print();
        screen.line(&format!(
            "  {:<22} {} [{unit}], one count {:.4} {unit}",
            channel.id,
            channel.title,
            channel.factor.abs()
        ));
    }
    screen.line("outputs:");
    for output in &description.outputs {
        let (low, high) = output.range;
        let unit = output.unit.print();
        screen.line(&format!(
            "  {:<22} {}, {low} to {high} {unit}, held for at most {}",
            output.id, output.title, output.longest_hold
        ));
    }
    screen.line("set-up values:");
    for (name, value) in &description.setup {
        screen.line(&format!("  {name:<22} {}", value.what));
    }
    for warning in &description.warnings {
        screen.line(&format!("warning: {warning}"));
    }
    Ending::Passed
}
