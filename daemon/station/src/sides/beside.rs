//! A screen on a thread of its own: a terminal that is held up, or a pipe that nobody reads, must not hold up the
//! wire.

use std::sync::mpsc::{Receiver, SyncSender, sync_channel};
use std::thread::JoinHandle;

use link::{Live, Viewer};
use model::{EventEnvelope, Place, Problem, ProblemKind};

use super::screen::Screen;
use super::tape::Ear;

/// Lines that may wait for the screen: some minutes of a busy run.
const ROOM: usize = 4_096;

enum Line {
    Event(Box<EventEnvelope>),
    Live(String),
    Said(String),
    /// So many lines before this one found no room.
    Missed(u64),
}

/// The wire's side of such a screen.
#[derive(Debug)]
pub struct Beside {
    queue: SyncSender<Line>,
    missed: u64,
}

/// The thread of such a screen; it ends when every wire's side of it is gone.
#[derive(Debug)]
pub struct Shown(JoinHandle<()>);

impl Shown {
    /// Waits until everything is shown.
    pub fn finish(self) {
        if self.0.join().is_err() {
            tracing::error!("the screen's thread panicked");
        }
    }
}

impl Beside {
    /// Puts a screen on a thread of its own.
    pub fn start(screen: Screen) -> Result<(Self, Shown), Problem> {
        let (queue, lines) = sync_channel(ROOM);
        let thread =
            std::thread::Builder::new().name("screen".into()).spawn(move || show_all(screen, &lines));
        let thread = thread.map_err(|error| {
            let seen = format!("the screen's thread cannot be started: {error}");
            let cure = "free memory or raise the limit of threads";
            Problem::new(ProblemKind::Program, Place::Program, seen, cure)
        })?;
        Ok((Self { queue, missed: 0 }, Shown(thread)))
    }

    /// A line of its own.
    pub fn say(&mut self, text: String) {
        self.put(Line::Said(text));
    }

    fn put(&mut self, line: Line) {
        if self.missed > 0 && self.queue.try_send(Line::Missed(self.missed)).is_ok() {
            self.missed = 0;
        }
        if self.queue.try_send(line).is_err() {
            self.missed += 1;
        }
    }
}

impl Clone for Beside {
    fn clone(&self) -> Self {
        Self { queue: self.queue.clone(), missed: 0 }
    }
}

impl Ear for Beside {
    fn hear(&mut self, event: &EventEnvelope) {
        self.put(Line::Event(Box::new(event.clone())));
    }
}

impl Viewer for Beside {
    fn show(&mut self, live: &Live<'_>) {
        if let Some(text) = Screen::live_text(live) {
            // The next one says more than this one would late.
            self.queue.try_send(Line::Live(text)).ok();
        }
    }
}

fn show_all(mut screen: Screen, lines: &Receiver<Line>) {
    for line in lines {
        match line {
            Line::Event(event) => screen.hear(&event),
            Line::Live(text) => screen.show_live(&text),
            Line::Said(text) => screen.say(&text),
            Line::Missed(count) => {
                screen.say(&format!("({count} lines are not shown: the screen was held up)"));
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use std::io::Write;
    use std::sync::mpsc::{Receiver, Sender, channel};

    use model::{Event, Moment, SCHEMA_VERSION, SessionId, StationId};

    use super::*;
    use crate::sides::screen::Style;

    /// A terminal that takes nothing until it is told to go on.
    struct HeldUp {
        go_on: Receiver<()>,
        waited: bool,
        written: Sender<Vec<u8>>,
    }

    impl Write for HeldUp {
        fn write(&mut self, bytes: &[u8]) -> std::io::Result<usize> {
            if !std::mem::replace(&mut self.waited, true) {
                self.go_on.recv().ok();
            }
            self.written.send(bytes.to_vec()).ok();
            Ok(bytes.len())
        }
        fn flush(&mut self) -> std::io::Result<()> {
            Ok(())
        }
    }

    #[test]
    fn a_screen_that_is_held_up_holds_nobody_up_and_says_what_it_missed() {
        let (go, go_on) = channel();
        let (written, read) = channel();
        let screen = Screen::new(Box::new(HeldUp { go_on, waited: false, written }), None, Style::Plain);
        let (mut beside, shown) = Beside::start(screen).unwrap();
        let remark = |n: u64| EventEnvelope {
            schema: SCHEMA_VERSION,
            seq: n,
            station: StationId::new("bench").unwrap(),
            session: SessionId::new("s1").unwrap(),
            at: Moment::ZERO,
            event: Event::Remark { text: format!("line {n}") },
        };
        let all = ROOM as u64 + 500;
        (1..=all).for_each(|n| beside.hear(&remark(n)));
        go.send(()).unwrap();
        // Tried until there is room again: the screen's thread has begun to empty its queue.
        while beside.missed > 0 {
            beside.put(Line::Live(String::new()));
            std::thread::yield_now();
        }
        drop(beside);
        shown.finish();
        let text: String = read.iter().map(|bytes| String::from_utf8(bytes).unwrap()).collect();
        assert!(text.contains("line 1\n") && text.contains(&format!("line {ROOM}\n")));
        assert!(text.contains("lines are not shown"), "{}", &text[text.len() - 200..]);
    }
}
