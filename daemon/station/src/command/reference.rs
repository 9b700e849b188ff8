//! `holdgate reference`.

use model::Ending;

use crate::sides::screen::{Screen, Style};

pub(super) fn run() -> Ending {
    let screen = Screen::terminal(Style::Plain);
    let mut area = String::new();
    for entry in procedure::reference() {
        if entry.area != area {
            area = entry.area.to_string();
            screen.line(&format!("{area}:"));
        }
        screen.line(&format!("  {:<52} {}", entry.signature, entry.summary));
    }
    Ending::Passed
}
